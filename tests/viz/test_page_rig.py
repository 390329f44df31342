"""The page's own script, run by Node, puts every part where ``poses`` puts it: to 0.01 mm and 0.005°."""

from __future__ import annotations

import json

import node_tools
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame, parse_mistake
from quillwise.meshes.dressing import rocker_shafts
from quillwise.scenes import library
from quillwise.viz import pagedata
from quillwise.viz.closeups import close_up
from quillwise.viz.magnifying import magnified, magnified_rig

ANGLES = [float(angle) for angle in np.random.default_rng(11).uniform(-200.0, 1500.0, 24)]
_SCRIPT = """
const fs = require("fs");
(async () => {
  const { unpack, moment, state, poses } = await import(process.cwd() + "/src/rig.js");
  const { record, block, wanted } = JSON.parse(fs.readFileSync(process.argv[1], "utf8"));
  const numbers = await unpack(block, record.counts);
  const told = wanted.map(({ step, share, assembly, crank }) => {
    const now = step === undefined ? { assembly, crank, free: {} } : moment(record.steps[step], share);
    return poses(record, state(record, numbers, now));
  });
  process.stdout.write(JSON.stringify(told));
})();
"""


@pytest.mark.slow
@pytest.mark.parametrize("name", ["launch-inverted", "larkfell-starboard"])
def test_poses_are_those_of_the_mechanism(name, tmp_path):
    engine = library.engine(name)
    played = play(engine)
    coupling = next(iter(engine.couplings))
    wrong = play(engine, (parse_mistake(engine, f"other-tooth:{coupling}=+3"),)).as_set
    packed = pagedata.pack(engine, played.steps, played.as_set, wrong, lambda _step: {})
    record = packed.record
    open_step = next(number for number, step in enumerate(played.steps) if step.trials)
    home = played.steps[-1]
    cases = [(played.as_set, record["as_set"]), (wrong, record["as_found"]), (home.after, record["steps"][-1]["after"])]
    drawn = played.steps[open_step].during
    cases.append((drawn, record["steps"][open_step]["during"]))
    wanted, truths = [], []
    hung = rig(engine)
    for assembly, number in cases:
        for angle in ANGLES:
            wanted.append({"assembly": number, "crank": angle})
            truths.append(poses(hung, motion(engine, assembly, angle)))
    for number, step in enumerate(played.steps):
        for share in (0.0, 0.4, 0.85, 1.0):
            now = frame(step, share)
            wanted.append({"step": number, "share": share})
            truths.append(poses(hung, motion(engine, now.assembly, now.crank_deg, now.free)))
    path = tmp_path / "page.json"
    path.write_text(json.dumps({"record": record, "block": packed.block, "wanted": wanted}))
    told = json.loads(node_tools.node(_SCRIPT, str(path)))
    chains = {part["name"]: part["chain"] for part in record["parts"]}
    for shown, truth in zip(told, truths, strict=True):
        poses_shown = np.array(shown).reshape(-1, 3, 4)
        for part, pose in truth.items():
            own = poses_shown[chains[str(part)]]
            assert np.abs(own[:, 3] - pose[0, :3, 3]).max() < 0.01, part
            turn = Rotation.from_matrix(own[:, :3].T @ pose[0, :3, :3]).magnitude()
            assert np.degrees(turn) < 0.005, part
    _magnifies_as_the_pictures_do(engine, record, cases, told)


def _magnifies_as_the_pictures_do(engine, record, cases, told):
    """The chains that are a close-up's own put its parts where the pictures have them, at the first angles posed."""
    own = 0
    for close in record["close"].values():
        if close["kind"] not in ("valve", "magneto"):
            continue
        shown = close_up(engine, close["kind"], close["of"])
        larger = magnified_rig(rig(engine), shown)
        for number, (assembly, angle) in enumerate((each, angle) for each, _ in cases for angle in ANGLES):
            state = magnified(engine, assembly, shown, motion(engine, assembly, angle))
            for name, _, _, chain in close["parts"]:
                if chain is None:
                    continue
                part = next(part for part in shown.parts if str(part) == name)
                pose = poses(larger, state, [part])[part][0]
                assert np.abs(np.array(told[number][chain]).reshape(3, 4) - pose[:3]).max() < 0.03, (part, angle)
                own += 1
    assert own > 20


@pytest.mark.slow
def test_the_shafts_of_the_rockers_stand_in_the_page():
    engine = library.engine("gantry-eight")
    played = play(engine)
    record = pagedata.pack(engine, played.steps, played.as_set, None, lambda _step: {}).record
    shafts = {part["name"]: part for part in record["parts"] if part["kind"] == "rocker shaft"}
    assert set(shafts) == {str(part) for part in rocker_shafts(engine)}
    assert all(record["chains"][part["chain"]] == [] for part in shafts.values()), "they stand in the world"
    for close in record["close"].values():
        if close["kind"] == "valve":
            assert [name for name, *_ in close["parts"] if name in shafts], close["of"]
