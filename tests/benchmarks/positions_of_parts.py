"""The poses of a cycle at 0.25°, by copying them and by mujoco's kinematics of as many bodies at as many angles."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from stopwatch import Figure, Work, compared, wall

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.library import engine as packaged


def mujoco_kinematics(bodies: int, angles_rad: np.ndarray) -> Work:
    """mj_kinematics at each angle of so many bodies, each on one hinge of its own in the world, which is the least
    work; what it finds is not even kept."""
    import mujoco

    inertial = '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>'
    body = f'<body>{inertial}<joint type="hinge" axis="1 0 0"/></body>'
    model = mujoco.MjModel.from_xml_string(f"<mujoco><worldbody>{body * bodies}</worldbody></mujoco>")
    data = mujoco.MjData(model)

    def work() -> None:
        for angle in angles_rad:
            data.qpos[:] = angle
            mujoco.mj_kinematics(model, data)

    return work


def products(the_rig: Rig, count: int) -> Work:
    """The bare matrix products of all chains at so many angles into new memory, of waves that are there already."""
    rows = np.random.default_rng(1).random((max(len(terms.waves) for terms in the_rig.terms.values()), count))
    chains = list({id(terms): terms for terms in the_rig.terms.values()}.values())

    def work() -> None:
        for terms, into in zip(chains, np.empty((len(chains), count, 16)), strict=True):
            if len(terms.waves) > 1:
                np.matmul(rows[: len(terms.waves)].T, terms.matrices, out=into)
            else:
                into[:] = terms.matrices

    return work


def figures() -> Iterator[Figure]:
    """Poses and state of a cycle of the demonstration."""
    engine = packaged("larkfell-port")
    the_rig, assembly = rig(engine), intended(engine)
    cycle = np.arange(0.0, 720.25, 0.25)
    state = motion(engine, assembly, cycle)
    placed = poses(the_rig, state)
    # part after part in one array; parts on one shaft share theirs, and the copy holds each once too
    out = placed[next(iter(placed))].base
    assert isinstance(out, np.ndarray)
    remark = "limit: the matrix products alone, into as much new memory, take nearly all of it, see below"
    name = f"poses of a cycle at 0.25°, {len(out)} chains"
    yield compared(name, lambda: poses(the_rig, state), "copy of them", out.copy, 1.5, runs=25, remark=remark)
    yield compared(
        "  of it: as much new memory, filled",
        lambda: np.empty(out.shape).fill(1.0),
        "copy of them",
        out.copy,
        runs=25,
    )
    yield compared(
        "  of it: the matrix products alone",
        products(the_rig, len(cycle)),
        "copy of them",
        out.copy,
        runs=25,
    )
    yield compared(
        "  the same by the clock, two threads",
        lambda: poses(the_rig, state),
        "copy of them",
        out.copy,
        1.5,
        runs=25,
        clock=wall,
        remark="a busy machine has no second core for it",
    )
    yield compared(
        f"  the same of all {len(placed)} parts",
        lambda: poses(the_rig, state),
        "mujoco, as many bodies",
        mujoco_kinematics(len(placed), np.radians(cycle)),
        1.0,
        runs=5,
    )
    yield compared("state of a cycle at 0.25°", lambda: motion(engine, assembly, cycle), "copy of poses", out.copy)
    yield compared(
        "timing table",
        lambda: timing_table(engine, assembly),
        "state at one angle",
        lambda: motion(engine, assembly, 0.0),
    )
