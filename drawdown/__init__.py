"""Match hand-mixed printmaking ink to its kept draw-down from one photograph."""

__version__ = "0.1.0"
