"""Inscriptions as actors of a renderer, made once and moved from then on."""

from __future__ import annotations

from collections.abc import Sequence

from vtkmodules.vtkRenderingCore import vtkRenderer, vtkTextActor

from quillwise.viz import palette
from quillwise.viz.cameras import Camera
from quillwise.viz.engraving import Label
from quillwise.viz.fonts import font_file, font_of
from quillwise.viz.inscriptions import Inscription, set_out

_CAPITAL = 0.73  # height of a capital ÷ font size of DejaVu Sans
_VTK_FONT_FILE = 4
LEAST_FONT_PX = 9


class Inscribed:
    """The words of one close-up in its renderer."""

    def __init__(self, renderer: vtkRenderer, most: int) -> None:
        """most: how many words there will be at once."""
        self._renderer = renderer
        self._actors = [self._actor() for _ in range(most)]

    def show(self, labels: Sequence[Label], camera: Camera, size_px: tuple[int, int], font_px: int) -> None:
        """Sets the words for a camera of a picture of that size; those of before are gone. font_px: the largest size;
        they are set smaller where not all would find room."""
        while True:
            words = set_out(labels, camera, size_px, _CAPITAL * font_px, font_of(font_px).getlength)
            if len(words) == len(labels) or font_px <= LEAST_FONT_PX:
                break
            font_px -= 1
        for number, actor in enumerate(self._actors):
            actor.SetVisibility(number < len(words))
            if number < len(words):
                _put(actor, words[number], size_px[1], font_px)

    def close(self) -> None:
        """Takes the words off."""
        for actor in self._actors:
            self._renderer.RemoveViewProp(actor)
        self._actors.clear()

    def _actor(self) -> vtkTextActor:
        actor = vtkTextActor()
        actor.SetPickable(False)
        actor.SetVisibility(False)
        style = actor.GetTextProperty()
        style.SetFontFamily(_VTK_FONT_FILE)
        style.SetColor(*palette.unit_rgb(palette.TEXT))
        style.SetBackgroundColor(*palette.unit_rgb(palette.GROUND))
        style.SetFrameColor(*palette.unit_rgb(palette.EDGE))
        style.SetJustificationToCentered()
        style.SetVerticalJustificationToCentered()
        vtkRenderer.AddActor(self._renderer, actor)
        return actor


def _put(actor: vtkTextActor, word: Inscription, height_px: int, font_px: int) -> None:
    style = actor.GetTextProperty()
    style.SetFontFile(str(font_file(word.boxed)))
    style.SetFontSize(font_px)
    style.SetBackgroundOpacity(float(word.boxed))
    style.SetFrame(word.boxed)
    actor.SetInput(word.text)
    actor.SetPosition(word.middle[0], height_px - word.middle[1])
