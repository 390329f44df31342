"""What lies under the mouse, against the same view drawn with a flat colour for each part."""

from __future__ import annotations

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.errors import GraphicsError
from quillwise.kinematics.motion import motion
from quillwise.kinematics.rig import rig
from quillwise.scenes.library import engine
from quillwise.viz import cameras, exhibit, graphics

SIZE = (320, 240)


@pytest.fixture(autouse=True)
def _opengl() -> None:
    try:
        graphics.probe()
    except GraphicsError as error:
        pytest.skip(str(error))


def test_a_click_meets_the_part_that_is_seen_there() -> None:
    from quillwise.viz.stage import Stage

    built = engine("slipway-six")
    with Stage(SIZE) as stage:
        exhibit.furnish(stage, exhibit.bodies(built))
        exhibit.place(stage, rig(built), motion(built, intended(built), 40.0))
        stage.look(cameras.fit_view("three-quarter", stage.points(), SIZE[0] / SIZE[1]))
        away = next(part for part, _ in stage.keys() if str(part) == "timing disc")
        faint = next(part for part, _ in stage.keys() if str(part) == "crankshaft")
        stage.show(away, False)
        stage.ghost([faint])
        numbers, keys = stage.identify()
        met, compared = set(), 0
        for y in range(2, SIZE[1] - 2, 13):
            for x in range(2, SIZE[0] - 2, 13):
                around = numbers[y - 2 : y + 3, x - 2 : x + 3]
                if (around != around[0, 0]).any():
                    continue  # on an edge a ray and a pixel may differ
                expected = keys[int(around[0, 0])][0] if around[0, 0] else None
                found = stage.part_at(x, SIZE[1] - 1 - y)
                assert found == expected, (x, y)
                met.add(found)
                compared += 1
        assert compared > 150
        assert len(met) > 6
        assert not {away, faint} & met

        # what the camera is told, it tells back
        now = cameras.fit_view("left", stage.points(), 1.3)
        stage.look(now)
        told = stage.camera()
        assert told.position == pytest.approx(now.position)
        assert told.focal == pytest.approx(now.focal)
        assert told.parallel_half_height_mm == pytest.approx(now.parallel_half_height_mm)
        assert np.allclose(told.up, now.up)
