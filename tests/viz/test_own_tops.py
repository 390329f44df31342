"""What the timing table says of tops that are off the even interval: link rods, uneven firing. Engines are invented."""

from __future__ import annotations

import pytest
from layouts import articulated_eight, unequal

from quillwise.kinematics.build import build
from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.viz import records, tables


def lines(engine) -> list[str]:
    text = " ".join(tables.events_text(records.events(engine, play(engine))).split())
    return [part for part in text.split(". ") if part.startswith("Own TDC")]


def test_link_rods_tops_are_told_with_their_amount():
    engine = build(articulated_eight())
    late = engine.cylinders["B1"].late_deg
    # the same for every link rod; computed by the mechanism, proved against an independent engine elsewhere
    assert lines(engine) == [f"Own TDC of B1, B4, B2, B3 is {late:.2f} degrees after their even interval"]
    assert late == pytest.approx(2.97, abs=0.005)


def test_uneven_firing_is_told_cylinder_by_cylinder():
    engine = build(unequal())
    # by hand: six of a V-8's slots of 90 degrees against sevenths of 720
    order = engine.sheet.firing_order
    slots = [0, 90, 180, 360, 450, 540, 630]
    off = [slot - 720 * place / 7 for place, slot in enumerate(slots)]
    told = lines(engine)
    assert told == [
        f"Own TDC of {name} is {abs(by):.2f} degrees {'after' if by > 0 else 'before'} its even interval"
        for name, by in zip(order[1:], off[1:], strict=True)
    ]


def test_the_record_holds_every_top_and_an_even_engine_tells_none():
    engine = library.engine("larkfell-port")
    record = records.events(engine, play(engine))
    assert [top["cylinder"] for top in record["tops"]] == list(engine.sheet.firing_order)
    assert [top["firing_crank_deg"] for top in record["tops"]] == [60.0 * n for n in range(12)]
    assert {top["after_even_interval_crank_deg"] for top in record["tops"]} == {0.0}
    assert {top["stroke_mm"] for top in record["tops"]} == {132.0}
    assert lines(engine) == []
