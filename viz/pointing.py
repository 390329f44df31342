"""A view with callouts: how much room they take from it, which parts they point at, where the item list stands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.parts import Part
from quillwise.viz import callouts
from quillwise.viz.cameras import Camera
from quillwise.viz.linedrawing import Frame
from quillwise.viz.standing import Bodies

_LIST_SHARE = 0.4  # of a view's width: a wider item list stands above it
_LEAST_MM = 20.0  # of a view


@dataclass(frozen=True, kw_only=True, slots=True)
class Pointed:
    """Callouts that are asked for. request: as ``callouts.chosen`` reads it; labels: names instead of numbers;
    listed: with the item list on the sheet."""

    request: str = callouts.USUAL
    labels: bool = False
    listed: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Pointing:
    """What a shaded picture points at, on a picture of a size on paper. size: width, height [mm], unrounded."""

    pointed: Pointed
    size_mm: tuple[float, float]


def called_out(
    seen_in: Callable[[Frame], tuple[Camera, Bodies, frozenset[Part]]],
    place: Frame,
    shown: Sequence[Part],
    pointed: Pointed | None,
    text_mm: float,
    about: Sequence[Part] = (),
) -> tuple[Frame, callouts.Drawn]:
    """Where a view stands when its callouts have room, and these. seen_in: camera, bodies, simplified parts of a view
    in a frame; about: what ``usual`` chooses among. Raises RequestError when there is no room."""
    if pointed is None:
        return place, callouts.NONE

    def choice(frame: Frame) -> tuple[callouts.Seen, dict[str, str]]:
        camera, bodies, _ = seen_in(frame)
        view = callouts.seen(bodies, camera, frame)
        if about and pointed.request.strip() == callouts.USUAL:
            return view, callouts.of_parts(about, shown, view)
        return view, callouts.chosen(pointed.request, shown, view)

    aside = callouts.border_mm(text_mm)
    beside = list_above = 0.0
    if pointed.labels or pointed.listed:
        _, names = choice(place)
        width = callouts.list_width_mm(list(names.values()), text_mm)
        if pointed.labels:
            aside = width
        elif width <= _LIST_SHARE * place.width:
            beside = width
        else:
            list_above = 2.0 * text_mm * len(names) + 1.0
    above = 0.0 if pointed.labels else aside
    inner = Frame(
        left=place.left + beside + aside,
        top=place.top + list_above + above,
        width=place.width - 2 * aside - beside,
        height=place.height - list_above - 2 * above,
    )
    if min(inner.width, inner.height) < _LEAST_MM:
        raise RequestError(
            "--callouts: no room for the view beside them; take a larger sheet or picture, or name fewer"
        )
    view, names = choice(inner)
    if not names:
        return inner, callouts.NONE
    tips = {name: callouts.tip(view, name) for name in names}
    outer = Frame(
        left=place.left + beside,
        top=place.top + list_above,
        width=place.width - beside,
        height=place.height - list_above,
    )
    if pointed.labels:
        return inner, callouts.labels(callouts.labelled(tips, view.box(), outer, text_mm), names, text_mm)
    made = callouts.balloons(callouts.arranged(tips, view.box(), outer, text_mm), names, text_mm)
    return inner, made.with_list((place.left + 1.0, place.top + 2.0), text_mm) if pointed.listed else made
