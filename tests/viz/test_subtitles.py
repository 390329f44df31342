"""The captions of a film, read back by FFmpeg's own reader of WebVTT: times, order, and text that is only text."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest

from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz.reel import frame_counts
from quillwise.viz.subtitles import Cue, cycle_cues, step_cues, webvtt


def _read(path: Path, text: str) -> list[tuple[float, float, str]]:
    path.write_text(text, encoding="utf-8")
    with av.open(str(path), format="webvtt") as container:
        found = []
        for packet in container.demux():
            if packet.pts is None or packet.time_base is None:
                continue
            start = float(packet.pts * Fraction(packet.time_base))
            length = float((packet.duration or 0) * Fraction(packet.time_base))
            found.append((start, start + length, bytes(packet).decode("utf-8")))
    return found


@pytest.mark.parametrize("name", ["larkfell-port", "slipway-six"])
def test_each_step_has_its_words_while_its_pictures_run(tmp_path: Path, name: str) -> None:
    played = play(packaged(name))
    counts = frame_counts(played.steps, 40.0, 15)
    found = _read(tmp_path / "film.vtt", webvtt(step_cues(played.steps, counts, len(played.steps), 15)))
    ends = np.cumsum(counts) / 15
    assert len(found) == len(played.steps)
    for (start, end, text), begun, done, step in zip(found, [0.0, *ends], ends, played.steps, strict=False):
        assert start == pytest.approx(begun, abs=6e-4)
        assert end == pytest.approx(done, abs=1.1e-3)
        assert step.text.title in text
        assert all(sentence in text for sentence in step.text.do)
        for caution in step.text.cautions:
            assert caution.level == "NOTE" or str(caution) in text


@pytest.mark.parametrize("name", ["larkfell-port", "slipway-six", "gantry-eight"])
def test_a_cycle_names_the_cylinder_that_fires(tmp_path: Path, name: str) -> None:
    engine = packaged(name)
    found = _read(tmp_path / "cycle.vtt", webvtt(cycle_cues(engine, 72, 12)))
    order = engine.sheet.firing_order
    assert [text.split()[-1].rstrip(".") for _, _, text in found] == list(order)
    assert found[0][0] == pytest.approx(0.0, abs=1e-3)
    assert found[-1][1] == pytest.approx(6.0, abs=2e-3)
    assert all(one[1] == pytest.approx(other[0], abs=2e-3) for one, other in pairwise(found))


def test_signs_of_markup_stay_text() -> None:
    cue = Cue(start_s=3599.9996, end_s=3661.5, lines=("a --> b <v Somebody> & c\n\nNOTE d",))
    text = webvtt([cue])
    assert "01:00:00.000 --> 01:01:01.500" in text
    assert text.count("-->") == 1
    assert "<" not in text
    assert "a --&gt; b &lt;v Somebody&gt; &amp; c NOTE d" in text
