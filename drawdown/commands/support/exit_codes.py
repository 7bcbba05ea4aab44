"""How ``match`` ends, and what was interrupted."""

INTERRUPTED = 130  # 128 and the signal's number, as shells count


class ExitCode(int):
    """An exit code that a judgement gave: 0 means a match, so no other zero counts as one."""


OF_VERDICT = {
    "match": ExitCode(0),
    "no match": ExitCode(3),
    "too close to call": ExitCode(4),
    None: ExitCode(5),
}
