"""What the records say of the gearing: positions of the shafts behind couplings, and the hunting of the wheels."""

from __future__ import annotations

from quillwise.kinematics.gears import crank_turns_to_repeat, hunting_turns
from quillwise.kinematics.model import Engine
from quillwise.kinematics.positions import couplings_upstream, step_of_shaft_deg


def positions_of_shafts(engine: Engine) -> list[dict[str, object]]:
    """Of every camshaft and magneto behind couplings: in how many places of a turn these can put it, all together."""
    found: list[dict[str, object]] = []
    for shaft in (*engine.camshafts, *(magneto.rotor for magneto in engine.magnetos.values())):
        step = step_of_shaft_deg(engine, shaft)
        if step is not None:
            found.append(
                {
                    "shaft": shaft,
                    "couplings": list(couplings_upstream(engine, shaft)),
                    "positions": int(360 / step),
                    "step_crank_deg": float(step / abs(engine.shafts[shaft].turns)),
                }
            )
    return found


def hunting(engine: Engine) -> list[dict[str, object]]:
    """Of every pair of wheels: after how many turns of each, and of the crank, the same two teeth meet again."""
    found: list[dict[str, object]] = []
    for mesh in engine.meshes.values():
        driving, driven = engine.wheels[mesh.driving], engine.wheels[mesh.driven]
        turns = hunting_turns(driving.teeth, driven.teeth)
        speed = engine.shafts[driving.shaft].turns
        found.append(
            {
                "pair": mesh.name,
                "driving_teeth": driving.teeth,
                "driven_teeth": driven.teeth,
                "driving_turns": turns[0],
                "driven_turns": turns[1],
                "crank_turns": crank_turns_to_repeat(speed, driving.teeth, driven.teeth),
            }
        )
    return found
