"""How ``match`` ends."""


class ExitCode(int):
    """An exit code that a judgement gave: 0 means a match, so no other zero counts as one."""


OF_VERDICT = {
    "match": ExitCode(0),
    "no match": ExitCode(3),
    "too close to call": ExitCode(4),
    None: ExitCode(5),
}
