"""The line drawing of a whole engine, as a ratio to casting one ray a pixel over the same bodies:
``python tests/benchmarks/line_drawing.py [ENGINE] [VIEW]``.

Processor time, best of three. The reference asks embree for the first triangle on each line of sight of a
1280 × 720 picture, by the same camera; the tree of the triangles stands already, its making is told apart. Nothing
here is asserted by the suite.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import numpy as np
import trimesh

from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz import lineart
from quillwise.viz.cameras import Camera
from quillwise.viz.hidden import one_mesh
from quillwise.viz.linedrawing import strokes
from quillwise.viz.linework import half_height_mm
from quillwise.viz.paper import SHEETS
from quillwise.viz.standing import Bodies, Store
from quillwise.viz.svg import svg

SIZE_PX = (1280, 720)


def best(work: Callable[[], object], runs: int = 3) -> float:
    """Least processor time of one call, all threads together [s]."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def rays(camera: Camera) -> np.ndarray:
    """Origins (1280 · 720, 3) in picture space, far before the focal point: one in the middle of each pixel."""
    wide, high = SIZE_PX
    half = half_height_mm(camera)
    x = ((np.arange(wide) + 0.5) / wide * 2 - 1) * half * wide / high
    y = ((np.arange(high) + 0.5) / high * 2 - 1) * half
    across, up = np.meshgrid(x, y)
    return np.stack([across.ravel(), up.ravel(), np.full(across.size, -1e4)], axis=1)


def cast(bodies: Bodies, camera: Camera) -> tuple[float, float]:
    """Making the tree with one ray, and casting all rays [s]."""
    origins = rays(camera)
    ways = np.tile([0.0, 0.0, 1.0], (len(origins), 1))

    def made() -> trimesh.Trimesh:
        scene = one_mesh(bodies, camera)
        scene.ray.intersects_first(origins[:1], ways[:1])
        return scene

    tree = best(made)
    scene = made()
    print(f"{len(scene.faces):,} triangles; {(scene.ray.intersects_first(origins, ways) >= 0).mean():.0%} of rays hit")
    return tree, best(lambda: scene.ray.intersects_first(origins, ways))


def main() -> None:
    """Print the ratios."""
    name = sys.argv[1] if len(sys.argv) > 1 else "larkfell-port"
    view = sys.argv[2] if len(sys.argv) > 2 else "three-quarter"
    engine = packaged(name)
    store, assembly = Store(engine), play(engine).as_set
    state = motion(engine, assembly, 0.0)
    place = lineart._sheet(SHEETS["A4"])
    shown = lineart._shown(engine)
    camera = lineart._whole_camera(store, state, view, place.aspect, False)
    bodies = store.standing(shown, assembly, state, lineart._dense(engine, shown, place.scale(camera)))
    names = list(bodies)
    size = SHEETS["A4"]
    tree, reference = cast(bodies, camera)
    rows = [
        ("tree of the triangles", tree),
        ("lines from bodies, visible", best(lambda: strokes(bodies, camera, place))),
        ("lines from bodies, and hidden", best(lambda: strokes(bodies, camera, place, dashed=names))),
        ("SVG of a view, visible", best(lambda: svg(lineart.view_drawing(store, assembly, 0.0, view, size)))),
        (
            "SVG of a view, and hidden",
            best(lambda: svg(lineart.view_drawing(store, assembly, 0.0, view, size, hidden=names))),
        ),
    ]
    print(f"{'one ray a pixel':32} {reference:7.3f} s")
    for what, took in rows:
        print(f"{what:32} {took:7.3f} s   = {took / reference:6.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"most memory {peak:.0f} MB, the rays of the reference among it")


if __name__ == "__main__":
    main()
