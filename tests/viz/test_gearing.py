"""What the records and the tables say of positions after more turns of the crank, and of teeth that meet again."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import lcm

import pytest
from random_engines import in_line_six, spur, through

from quillwise.kinematics.build import build
from quillwise.kinematics.model import Engine
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz import folder_records, records, tables
from quillwise.viz.gearing import hunting, positions_of_shafts


def with_magneto_coupling_at_two_thirds(phase_deg: float) -> Engine:
    """The six with its magneto's coupling, of 10 and 7 teeth, on a shaft at 2/3 of crank speed: 4/3 turns a cycle."""
    six = in_line_six()
    name = next(s.coupling for t in six.trains if t.drives.endswith("magneto") for s in t.stages if s.coupling)
    couplings = tuple(
        replace(item, driving_teeth=10, driven_teeth=7, tooth_phase_deg=phase_deg) if item.name == name else item
        for item in six.couplings
    )
    drives = next(train.drives for train in six.trains if train.drives.endswith("magneto"))
    (magneto,) = six.magnetos
    needed = Fraction(6, 2 * magneto.lobes) / Fraction(2, 3)
    last = (needed.numerator * 12, needed.denominator * 12)
    trains = tuple(
        replace(train, from_shaft="crankshaft", stages=(spur((20, 30)), through(name), spur(last)))
        if train.drives == drives
        else train
        for train in six.trains
    )
    return build(replace(six, couplings=couplings, trains=trains))


def magneto_coupling(engine: Engine) -> str:
    (magneto,) = engine.magnetos.values()
    found = engine.coupling_upstream(magneto.rotor)
    assert found is not None
    return found.name


def test_the_vernier_table_tells_the_positions_of_further_cycles() -> None:
    engine = with_magneto_coupling_at_two_thirds(2.0)
    coupling = engine.coupling(magneto_coupling(engine))
    record = records.vernier(engine, coupling, 0.0, 3.0)
    # 4/3 turns a cycle and 70 positions of the teeth: the group of all moves has lcm(70, 3) members
    assert record["positions"] == 70
    assert record["positions_with_crank_cycles"] == lcm(70, 3)
    assert [item["cycles"] for item in record["best_after_crank_cycles"]] == [0, 1, 2]
    off = {round(item["out_of_line_shaft_deg"] * 70 * 3 / 360 % 3, 6) for item in record["best_after_crank_cycles"]}
    assert len(off) == 3, "each cycle opens positions of its own"
    nearest = record["shift"]["with_crank_cycles"]
    assert abs(nearest["left_over_crank_deg"]) <= 360 / 210 / 2 / (2 / 3) + 1e-9
    assert "Turning the crank on by whole cycles opens further positions" in " ".join(
        tables.vernier_text(record).split()
    )


@pytest.mark.parametrize("phase_deg", [1.7, 2.0, -1.8])
def test_a_step_tells_that_more_turns_bring_a_closer_tooth(phase_deg: float) -> None:
    engine = with_magneto_coupling_at_two_thirds(phase_deg)
    step = next(step for step in play(engine, ()).steps if step.trials and step.coupling == magneto_coupling(engine))
    told = [what for _, what in step.text.see if "more turns, then try again" in what]
    assert len(told) == 1
    assert told[0].startswith(("Turn the crank two more turns", "Turn the crank four more turns"))
    assert told[0].endswith(f"closer than {min(abs(t.out_of_line_crank_deg) for t in step.trials):.2f}.")


def test_no_step_of_the_packaged_engine_tells_so() -> None:
    for step in play(packaged("larkfell-port"), ()).steps:
        assert not any("more turns, then try again" in what for _, what in step.text.see)


def test_hunting_of_every_pair() -> None:
    engine = packaged("larkfell-port")
    found = hunting(engine)
    assert [item["pair"] for item in found] == list(engine.meshes)
    for item in found:
        driving, driven = int(str(item["driving_teeth"])), int(str(item["driven_teeth"]))
        # turn the pair tooth by tooth until the teeth that met at first meet again
        met = next(n for n in range(1, driving * driven + 1) if n % driving == 0 and n % driven == 0)
        assert (item["driving_turns"], item["driven_turns"]) == (met // driving, met // driven)
        speed = abs(engine.shafts[engine.wheels[engine.meshes[str(item["pair"])].driving].shaft].turns)
        turns = next(n for n in range(1, 100000) if (n * speed * driving / met).denominator == 1)
        assert item["crank_turns"] == turns
    assert "hunting" in folder_records.summary(engine, play(engine, ()))


def test_positions_of_shafts_behind_couplings() -> None:
    engine = packaged("larkfell-port")
    found = {item["shaft"]: item for item in positions_of_shafts(engine)}
    assert set(found) == {*engine.camshafts, *(f"{name} magneto" for name in engine.magnetos)}
    for name, coupling in engine.couplings.items():
        data = coupling.data
        for item in found.values():
            if item["couplings"] == [name] and item["shaft"] == coupling.driven:
                assert item["positions"] == lcm(data.driving_teeth, data.driven_teeth)
