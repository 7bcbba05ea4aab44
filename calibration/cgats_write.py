"""Write colours as a CGATS.17 text file (also ISO 28178), as ``cgats`` reads it. Pure."""

from __future__ import annotations

from collections.abc import Sequence


def cgats_text(
    samples: Sequence[tuple[str, str, Sequence[float]]], *, descriptor: str, created: str
) -> str:
    """One table of CIELAB values, D50, 2 degree observer. ``samples`` are (id, name, Lab);
    ``created`` a day. Raises ``ValueError`` without a sample: the format has no empty table."""
    if not samples:
        raise ValueError("a CGATS.17 table holds at least one sample")
    lines = [
        "CGATS.17",
        'ORIGINATOR "drawdown"',
        f"FILE_DESCRIPTOR {quoted(descriptor)}",
        f"CREATED {quoted(created)}",
        'WEIGHTING_FUNCTION "ILLUMINANT, D50"',
        'WEIGHTING_FUNCTION "OBSERVER, 2 degree"',
        "NUMBER_OF_FIELDS 5",
        "BEGIN_DATA_FORMAT",
        "SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B",
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(samples)}",
        "BEGIN_DATA",
    ]
    for sample_id, name, lab in samples:
        values = " ".join(f"{float(v):.4f}" for v in lab)
        lines.append(f"{sample_id} {quoted(name)} {values}")
    return "\n".join([*lines, "END_DATA", ""])


def quoted(text: str) -> str:
    """A text value: in quotation marks, those within it doubled, on one line."""
    return '"' + " ".join(text.split()).replace('"', '""') + '"'
