"""The feeler in the page's close-up: its blade where the pictures draw it, and told in the words of the window."""

from __future__ import annotations

import json
from pathlib import Path

import node_tools
import numpy as np
import pytest

from quillwise.kinematics.lengths import length
from quillwise.kinematics.motion import motion
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes import library
from quillwise.viz import pagedata
from quillwise.viz.closeups import close_up, headline
from quillwise.viz.engraving import labels
from quillwise.viz.linked import linked
from quillwise.viz.magnifying import blade_mm, feeler_poses, magnified, magnified_rig

SHARES = (0.0, 0.3, 0.55, 0.7, 0.8, 0.85, 0.95, 1.0)
_SCRIPT = """
const fs = require("fs");
(async () => {
  const { blade, unpack, moment, state, poses } = await import(process.cwd() + "/src/rig.js");
  const { feeler, length, valve } = await import(process.cwd() + "/src/words.js");
  const { record, block, wanted, lengths } = JSON.parse(fs.readFileSync(process.argv[1], "utf8"));
  const numbers = await unpack(block, record.counts);
  const told = wanted.map(({ step, share }) => {
    const now = moment(record.steps[step], share);
    const found = state(record, numbers, now);
    const [name] = record.steps[step].close;
    const close = record.close[name];
    const gap = found[`valve ${close.of}, to come`];
    const held = blade(record, record.steps[step], now, found);
    const posed = poses(record, found);
    return {
      fitted: { ...record.assemblies[0].less, ...record.assemblies[now.assembly].less }[close.of] !== null,
      reading: valve(record, close, found[`valve ${close.of}`], gap),
      feeler: held && feeler(record, held).join("\\n"),
      poses: held && close.feeler.parts.map(([part, , chain]) => [part, posed[chain]]),
    };
  });
  process.stdout.write(JSON.stringify({ told, lengths: lengths.map((mm) => length(mm, record.unit)) }));
})();
"""


@pytest.mark.parametrize(
    ("name", "said"),
    [("slipway-six", {"light drag", "free", "just let go"}), ("larkfell-port", {"light drag", "free", "nipped"})],
)
def test_the_page_draws_and_names_the_feeler_as_the_window_does(name: str, said: set[str], tmp_path: Path) -> None:
    engine = library.engine(name)
    played = play(engine)
    packed = pagedata.pack(engine, played.steps, played.as_set, None, lambda _step: {})
    views = linked(engine, played.steps)
    wanted = [
        (number, share)
        for number, view in enumerate(views)
        if view.valve is not None and view.valve[0] == "valve"
        for share in SHARES
    ]
    unit = engine.sheet.length_unit
    lengths = [0.0, 0.0381, 0.04, 0.3048, 0.3175, 0.3176, 0.508, 12.7, 14.90345]
    path = tmp_path / "page.json"
    asked = [{"step": number, "share": share} for number, share in wanted]
    path.write_text(json.dumps({"record": packed.record, "block": packed.block, "wanted": asked, "lengths": lengths}))
    answer = json.loads(node_tools.node(_SCRIPT, str(path)))
    assert answer["lengths"] == [length(each, unit) for each in lengths]
    hung, words = rig(engine), set()
    for (number, share), told in zip(wanted, answer["told"], strict=True):
        step, (_, of) = played.steps[number], views[number].valve
        moment, shown = frame(step, share), close_up(engine, "valve", of)
        state = motion(engine, moment.assembly, moment.crank_deg, moment.free)
        _, reading = headline(engine, shown, moment, state)
        if told["fitted"]:
            assert told["reading"] == reading, (step.key, share)
        drawn = labels(engine, hung, shown, moment, state, step)
        assert told["feeler"] == (drawn[0].text if drawn else None), (step.key, share)
        words |= {label.text.split("\n")[1].split(" by ")[0] for label in drawn}
        if drawn:
            thick = blade_mm(engine, moment.assembly, of, state, step)
            large = magnified(engine, moment.assembly, shown, state, thick)
            placed = feeler_poses(magnified_rig(hung, shown), shown, large, thick)
            truth = {str(part): pose for part, pose in placed.items()}
            for part, pose in told["poses"]:
                assert np.abs(np.array(pose).reshape(3, 4) - truth[part][:3]).max() < 0.03, (step.key, share, part)
    assert words == said
