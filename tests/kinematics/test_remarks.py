"""What is worth a second look in an engine that is valid; the packaged engines give no cause for any.

Half a step of the vernier: 360 over twice the least common multiple of the counts (computed, as in test_couplings).
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from random_engines import in_line_six

from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.remarks import remarks
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names


def with_teeth(sheet: DataSheet, driving: int, driven: int) -> DataSheet:
    """All couplings with these counts."""
    couplings = tuple(replace(item, driving_teeth=driving, driven_teeth=driven) for item in sheet.couplings)
    return replace(sheet, couplings=couplings)


@pytest.mark.parametrize("name", names())
def test_packaged_engines_have_no_remarks(name: str) -> None:
    assert remarks(packaged(name)) == ()


def test_a_coupling_too_coarse_for_the_limit_is_named_with_what_it_leaves() -> None:
    """20 and 20 teeth: 20 positions, 18 degrees a step of the quill's shaft; half of it 9 degrees of that shaft."""
    sheet = with_teeth(in_line_six(), 20, 20)
    engine = build(sheet)
    found = {remark.path: remark.text for remark in remarks(engine)}
    assert set(found) == {f"couplings.{name}" for name in engine.couplings}
    for name, coupling in engine.couplings.items():
        left = 9 / abs(float(engine.shafts[coupling.driven].turns))
        assert f"half a step of {name} is {left:.2f} crank degrees, more than the " in found[f"couplings.{name}"]


@pytest.mark.parametrize(
    ("driving", "driven", "why"),
    [
        (20, 20, "both ends of {} have 20 teeth, so it is no vernier: a tooth on at both ends changes nothing. Count"),
        # arithmetic: gcd(20, 25) = 5; after 4 driving and 5 driven teeth, a fifth of a turn both, it stands as before
        (20, 25, "20 and 25 teeth of {} have the factor 5 in common, so of its 20 trials only 4 differ. Count"),
        (6, 7, "half a step of {} is "),
    ],
)
def test_why_a_coupling_is_too_coarse(driving: int, driven: int, why: str) -> None:
    engine = build(with_teeth(in_line_six(), driving, driven))
    found = {remark.path: remark.text for remark in remarks(engine)}
    assert found
    for path, text in found.items():
        assert text.startswith(why.format(path.removeprefix("couplings.")))


def test_the_limit_decides() -> None:
    """Just over half a step no remark, just under it one."""
    sheet = with_teeth(in_line_six(), 20, 20)
    coupling = next(iter(build(sheet).couplings.values()))
    engine = build(sheet)
    left = 9 / abs(float(engine.shafts[coupling.driven].turns))
    for limit, wanted in ((left + 0.01, False), (left - 0.01, True)):
        limits = replace(sheet.limits, valve_event_deg=limit, points_break_deg=limit)
        found = [remark.path for remark in remarks(build(replace(sheet, limits=limits)))]
        assert (f"couplings.{coupling.name}" in found) is wanted


def test_flux_reversals_that_no_spark_uses_are_told() -> None:
    """Twice the poles with the lobes kept: every second reversal goes without a spark."""
    six = in_line_six()
    magneto = six.magnetos[0]
    twice = replace(magneto, poles=2 * magneto.lobes, e_gap_deg=8.0)
    (remark,) = remarks(build(replace(six, magnetos=(twice,))))
    assert remark.path == f"magnetos.{magneto.name}.lobes"
    assert remark.text.startswith(
        f"in a turn of the rotor the flux of its {twice.poles} poles reverses {twice.poles} times, but the points "
        f"break {magneto.lobes} times"
    )
    inductor = replace(twice, kind="polar inductor")
    (remark,) = remarks(build(replace(six, magnetos=(inductor,))))
    assert remark.text.startswith(f"in a turn of the rotor its magnetism gives {twice.poles} sparks, but")
