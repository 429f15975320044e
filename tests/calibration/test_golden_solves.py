"""Solves of simulated sessions, with and without faults: every number as on record (`support.golden_solves`)."""

import json

import numpy as np
import pytest

from support.golden_solves import CASES, FILE, solved

GOLDEN = json.loads(FILE.read_text(encoding="utf-8"))
# Of the largest number of a field: other processors and libraries round otherwise, and an iteration may end a step
# earlier, at a thousandth of a standard deviation.
TOLERANCE = 1e-3


def compare(found, wanted, place):
    if isinstance(wanted, dict):
        assert found.keys() == wanted.keys(), place
        for name in wanted:
            # The size of a deviation that may be zero is its sigma; that of a small probability its logarithm.
            if name == "deviation":
                assert found[name] == pytest.approx(wanted[name], abs=TOLERANCE * wanted["sigma"]), place
            elif name.endswith("p_value"):
                own, other = (np.log10(max(one[name], 1e-300)) for one in (found, wanted))
                assert own == pytest.approx(other, rel=TOLERANCE, abs=TOLERANCE)
            else:
                compare(found[name], wanted[name], f"{place}.{name}")
    elif isinstance(wanted, list) and wanted and not is_numeric(wanted):
        assert len(found) == len(wanted), place
        for number, (one, other) in enumerate(zip(found, wanted, strict=True)):
            compare(one, other, f"{place}[{number}]")
    elif is_numeric(wanted) and not isinstance(wanted, bool):
        assert np.shape(found) == np.shape(wanted), place
        scale = float(np.abs(np.asarray(wanted, dtype=float)).max(initial=0.0))
        np.testing.assert_allclose(found, wanted, rtol=TOLERANCE, atol=TOLERANCE * scale, err_msg=place)
    else:
        assert found == wanted, place


def is_numeric(value):
    try:
        return np.asarray(value).dtype.kind in "fiu"
    except ValueError:
        return False


def test_the_record_has_every_case():
    assert list(GOLDEN) == list(CASES)


@pytest.mark.parametrize("name", CASES)
def test_every_number_is_as_on_record(name):
    compare(solved(name), GOLDEN[name], name)
