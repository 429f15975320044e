"""What the status message states about a solution that is not to be taken as it stands."""

import pytest

from eyebolt.protocol import FindingSummary, Severity, describe_reservation


def found(severity):
    return FindingSummary(code="x", severity=severity, message=f"a {severity} finding", remedy="")


NOTE, WARN, STOP = (found(severity) for severity in (Severity.NOTE, Severity.WARN, Severity.STOP))


@pytest.mark.parametrize(
    ("findings", "named", "more"),
    [([NOTE], None, None), ([WARN], WARN, None), ([WARN, STOP, NOTE], STOP, 1), ([STOP, WARN, WARN], STOP, 2)],
)
def test_the_gravest_finding_is_named_and_the_others_are_counted(findings, named, more):
    text = describe_reservation(8, 0, findings)
    assert text.startswith("" if named is None else named.message)
    assert bool(text) == (named is not None)
    assert (f"{more} more" in text) == (more is not None)


def test_the_pairs_left_out_are_counted_among_all():
    assert describe_reservation(8, 0, []) == ""
    assert "3 of 11" in describe_reservation(8, 3, [])
