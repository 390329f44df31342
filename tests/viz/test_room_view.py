"""The room between an open valve and its piston: its figures, its warning, and its picture."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended, move_teeth
from quillwise.kinematics.motion import motion, piston_drop_mm
from quillwise.kinematics.room import Room, least_room, path
from quillwise.kinematics.steps import Frame
from quillwise.scenes.library import engine
from quillwise.viz import palette, room_view
from quillwise.viz.captions import covered
from quillwise.viz.layout import layout
from quillwise.viz.room_view import AHEAD_DEG, Space

SCENES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")
_SHUT = Space(now=None, ahead=None, lift_mm=0.0, most_lift_mm=10.0, limit_mm=1.5)


def _room(mm: float, known: bool = True) -> Room:
    return Room(room_mm=mm, valve="A1 inlet", crank_deg=371.0, known=known)


@pytest.mark.parametrize("name", SCENES)
def test_it_is_the_least_room_of_any_open_valve_now_and_within_a_turn_by_one_key(name: str) -> None:
    """Computed: room at TDC + drop of the piston · cos(valve to cylinder) − lift, valve by valve."""
    built = engine(name)
    assembly = intended(built)
    for crank in (10.0, 200.0, 350.0, 371.0, 500.0, 715.0):
        shown = Frame(assembly=assembly, crank_deg=crank, free={})
        state = motion(built, assembly, crank)
        found = room_view.space(built, shown, state, None, look_ahead=True)
        rooms = {}
        for valve in built.valves.values():
            lift = float(state[f"valve {valve.name}"][0])
            if lift > 0:
                cylinder = built.cylinders[valve.cylinder]
                drop = float(piston_drop_mm(built, cylinder, crank - cylinder.firing_deg))
                lean = np.cos(np.radians(valve.data.angle_to_cylinder_deg))
                rooms[valve.name] = (valve.data.room_at_tdc_mm or 0.0) + drop * lean - lift
        assert found.now is not None
        assert found.now.room_mm == pytest.approx(min(rooms.values()))
        assert rooms[found.now.valve] == pytest.approx(found.now.room_mm)
        assert found.lift_mm == float(state[f"valve {found.now.valve}"][0])
        both = [least_room(built, assembly, path(crank, crank + way)) for way in (AHEAD_DEG, -AHEAD_DEG)]
        assert found.ahead is not None
        assert found.ahead.room_mm == pytest.approx(min(each.room_mm for each in both if each is not None))
        assert found.alarm == "", "an engine set as intended strikes nowhere"


def test_the_warning_comes_before_the_move_that_strikes() -> None:
    built = engine("slipway-six")
    right = intended(built)
    ways = {teeth: least_room(built, move_teeth(right, "quill", teeth, 0), path(0.0, 720.0)) for teeth in range(1, 22)}
    wrong = {teeth: way for teeth, way in ways.items() if way is not None and way.strikes}
    assert wrong, "some wrong tooth strikes"
    warned = 0
    for teeth, way in wrong.items():
        assembly = move_teeth(right, "quill", teeth, 0)
        before = way.crank_deg
        while (room := least_room(built, assembly, [before])) is not None and room.strikes:
            before -= 1.0
        shown = Frame(assembly=assembly, crank_deg=before, free={})
        state = motion(built, assembly, before)
        space = room_view.space(built, shown, state, None, look_ahead=True)
        assert space.now is None or not space.now.strikes
        assert space.alarm == "WARNING"
        assert "strikes at" in space.words[1]
        assert room_view.space(built, shown, state, None, look_ahead=False).alarm != "WARNING"
        assert room_view.space(built, shown, state, way, look_ahead=False).alarm == "WARNING", "the step's own way"
        warned += 1
        if warned == 2:
            break
    assert warned


def test_little_room_is_a_caution_and_an_assumed_strike_says_so() -> None:
    tight = Space(now=_room(1.0), ahead=None, lift_mm=3.0, most_lift_mm=10.0, limit_mm=1.5)
    assert tight.alarm == "CAUTION"
    assumed = Space(now=_room(-0.4, known=False), ahead=None, lift_mm=3.0, most_lift_mm=10.0, limit_mm=1.5)
    assert assumed.alarm == "WARNING"
    assert assumed.words == ("A1 inlet 0.0 mm assumed", "A1 inlet may strike at 371°")
    assert (_SHUT.alarm, _SHUT.words) == ("", ("all valves shut", ""))
    assert covered(" ".join(assumed.words))


@pytest.mark.parametrize("size", [(640, 360), (1280, 720), (2560, 1440)])
def test_its_lines_do_not_overlap_and_the_alarm_is_a_word_and_a_shape(size: tuple[int, int]) -> None:
    left, top, right, bottom = layout(size).room
    area = right - left, bottom - top
    for now, ahead in ((None, None), (_room(8.0), None), (_room(1.0), None), (_room(5.0), _room(-0.2, known=False))):
        space = Space(now=now, ahead=ahead, lift_mm=4.0 if now else 0.0, most_lift_mm=10.0, limit_mm=1.5)
        picture, boxes = room_view.draw(space, area)
        assert picture.shape == (area[1], area[0], 3)
        for name, (x0, y0, x1, y1) in boxes.items():
            assert 0 <= x0 < x1 <= area[0], name
            assert 0 <= y0 < y1 <= area[1], name
        for (one, a), (other, b) in itertools.combinations(boxes.items(), 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (one, other)
        assert ("alarm" in boxes) == bool(space.alarm)
        if space.alarm:
            x0, y0, x1, y1 = boxes["alarm"]
            sign = picture[y0:y1, x0:x1].min(axis=-1)
            assert (sign < 60).mean() > 0.05, "the word and the frame are dark"
            fill = palette.ORANGE if space.alarm == "WARNING" else palette.YELLOW
            assert palette.contrast(palette.BLACK, fill) > 7


def test_the_gap_is_drawn_to_scale() -> None:
    gaps = []
    for room in (4.0, 8.0, 12.0):
        space = Space(now=_room(room), ahead=None, lift_mm=2.0, most_lift_mm=10.0, limit_mm=1.5)
        picture, boxes = room_view.draw(space, (300, 400))
        left, top, right, bottom = boxes["drawing"]
        column = picture[top:bottom, (left + right) // 2 - 12]
        valve = np.flatnonzero((column == palette.rgb(palette.GREEN)).all(axis=-1)).max()
        crown = np.flatnonzero((column == palette.rgb(palette.SKY_BLUE)).all(axis=-1)).min()
        gaps.append(crown - valve)
    assert gaps[1] / gaps[0] == pytest.approx(2.0, abs=0.15)
    assert gaps[2] / gaps[0] == pytest.approx(3.0, abs=0.2)
