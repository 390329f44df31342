"""The three verdicts with a guard band."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from quillwise.kinematics.verdicts import Check, verdict, worst_first


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        # JCGM 106:2012 rule (guard band w = U, k = 2), numbers computed: 28.0 ± 1.0, u 0.25: accept in [27.5, 28.5]
        (27.5, "accept"),
        (28.0, "accept"),
        (28.45, "accept"),
        (28.5, "accept"),
        (28.51, "not proved"),
        (28.60, "not proved"),
        (27.49, "not proved"),
        (29.0, "not proved"),
        (29.001, "reject"),
        (29.50, "reject"),
        (26.5, "reject"),
    ],
)
def test_guarded_acceptance(reading: float, expected: str) -> None:
    assert verdict(reading - 28.0, 1.0, 0.5) == expected
    check = Check(
        what="opens", unit="crank deg", wanted=28.0, as_set=reading, early=28.0 - reading, limit=1.0, uncertainty=0.5
    )
    assert check.verdict == expected


def test_probabilities_behind_the_verdicts() -> None:
    # computed (JCGM 106:2012 rule): P(conforms) at 28.45 98.6 %, at 28.60 94.5 %, at 29.50 2.3 %
    def conforms(reading: float) -> float:
        return float(norm.cdf(29.0, reading, 0.25) - norm.cdf(27.0, reading, 0.25))

    assert [round(100 * conforms(reading), 1) for reading in (28.45, 28.60, 29.50)] == [98.6, 94.5, 2.3]
    # the rule keeps the risk of a wrong "accept" under 2.3 %, one side of a normal at k = 2
    assert conforms(28.5) == pytest.approx(norm.cdf(2.0), abs=1e-6)


@given(st.floats(-5, 5), st.floats(0.1, 3), st.floats(0, 1))
def test_accept_lies_inside_the_tolerance_by_the_uncertainty(difference: float, limit: float, share: float) -> None:
    uncertainty = limit * share
    found = verdict(difference, limit, uncertainty)
    assert found == verdict(-difference, limit, uncertainty)
    if found == "accept":
        assert abs(difference) <= limit - uncertainty
    elif found == "not proved":
        assert limit - uncertainty < abs(difference) <= limit
    else:
        assert abs(difference) > limit


def test_an_uncertainty_as_large_as_the_tolerance_leaves_no_room_to_accept() -> None:
    assert verdict(0.1, 1.0, 1.5) == "not proved"
    assert verdict(0.0, 1.0, 1.0) == "accept"


@given(st.lists(st.tuples(st.floats(-9.0, 9.0), st.floats(0.1, 4.0), st.floats(0.0, 1.0)), max_size=12))
def test_no_check_that_is_worse_comes_after_a_better_one(drawn: list[tuple[float, float, float]]) -> None:
    checks = [
        Check(what="", unit="crank deg", wanted=0.0, as_set=0.0, early=early, limit=limit, uncertainty=share * limit)
        for early, limit, share in drawn
    ]
    found = worst_first(checks)
    assert sorted(map(id, found)) == sorted(map(id, checks))
    assert [each.verdict == "reject" for each in found] == sorted((c.verdict == "reject" for c in checks), reverse=True)
    shares = [abs(each.early) / each.limit for each in found]
    assert shares == sorted(shares, reverse=True)
