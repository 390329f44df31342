"""The large view of the window: the whole mechanism, what the step is about in strong colour, parts put away or made
see-through, the part that was clicked, and the engine as found beside as intended.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyvista as pv

from quillwise.kinematics.assembly import Assembly, is_fitted
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig
from quillwise.kinematics.steps import Frame, Step
from quillwise.viz import exhibit
from quillwise.viz.angle_mark import AngleMark, Between, between, sector
from quillwise.viz.cameras import VIEWS, Camera, Floats, Margins, fit, project
from quillwise.viz.flight import Flight
from quillwise.viz.linked import side
from quillwise.viz.panes import cull
from quillwise.viz.session import Session
from quillwise.viz.stage import Stage

_MARGINS = Margins(left=0.02, right=0.02, top=0.03, bottom=0.03)
_NEAR = Margins(left=0.28, right=0.28, top=0.28, bottom=0.28)
_COMPARED = Margins(left=0.08, right=0.08, top=0.14, bottom=0.08)
_SAME_POSE = 1e-6
_LABEL_EM = 0.62  # width of a letter of the label, by its height: for keeping it in the frame


@dataclass(slots=True, eq=False)
class _Drawn:
    """What was last drawn, by what it depends on."""

    seen: dict[str, object] = field(default_factory=dict)

    def differs(self, name: str, value: object) -> bool:
        if name in self.seen and self.seen[name] == value:
            return False
        self.seen[name] = value
        return True


class Overview:
    """The large view in one viewport of a plotter."""

    def __init__(self, engine: Engine, rig: Rig, plotter: pv.Plotter, column: int) -> None:
        self._engine, self._rig = engine, rig
        self.stage = Stage.on(plotter, 0, column)
        self.stage.renderer.SetInteractive(True)
        self._bodies = exhibit.bodies(engine)
        exhibit.furnish(self.stage, self._bodies)
        self._mark = AngleMark(self.stage.renderer)
        self._drawn = _Drawn()
        self._flight: Flight | None = None
        self._own_camera = False
        self._phantoms: frozenset[Part] = frozenset()
        self._between: Between | None = None

    def forget(self) -> None:
        """After a change of size: all of it is drawn again; a camera of the user's stays."""
        self._drawn.seen.clear()

    def fly(self, seconds: float) -> None:
        """Lets the camera go on with its flight."""
        if self._flight is None:
            return
        self._flight = Flight(start=self._flight.start, end=self._flight.end, at_s=self._flight.at_s + seconds)
        self.stage.look(self._flight.camera)
        self._drawn.seen.pop("camera", None)
        if self._flight.over:
            self._flight = None

    @property
    def flying(self) -> bool:
        """Whether the camera is on its way."""
        return self._flight is not None

    def taken(self) -> None:
        """The user moves the camera himself: no flight, no view of the step any more."""
        self._flight = None
        self._own_camera = True

    def back_to_step(self) -> None:
        """The view of the step again."""
        self._own_camera = False
        self._drawn.seen.pop("eye", None)

    def look_from(self, name: str) -> None:
        """A named view of the whole."""
        self._own_camera = True
        self._go(self._fit(VIEWS[name].direction, VIEWS[name].up), at_once=True)

    def zoom_to(self, part: Part) -> None:
        """Flies to a part, from where the camera looks now."""
        now = self.stage.camera()
        direction = np.asarray(now.focal) - np.asarray(now.position)
        width, height = self.stage.size_px
        points = self.stage.points([part], "found")
        if len(points):
            self._own_camera = True
            self._go(fit(points, direction, now.up, width / height, _NEAR))

    def part_at(self, x_px: int, y_px: int) -> Part | None:
        """The part seen at a place of the window, from its lower left corner."""
        return self.stage.part_at(x_px, y_px)

    @property
    def compared(self) -> Between | None:
        """What is drawn between as found and as intended, if they are compared."""
        return self._between

    def draw(self, now: Session, step: Step, shown: Frame, state: State, wanted: Assembly | None, scale: float) -> bool:
        """Brings the view up to date; whether anything in it changed. wanted: the assembly as intended to stand beside
        the shown one, or None."""
        redraw = self._emphasise(now, step)
        if self._drawn.differs("moment", (shown.crank_deg, tuple(shown.free.items()), id(shown.assembly))):
            exhibit.place(self.stage, self._rig, state)
            redraw = True
        if self._drawn.differs("put away", (now.hidden, shown.assembly.clearances_mm)):
            self._put_away(now, shown.assembly)
            redraw = True
        redraw = self._compare(shown, state, wanted) or redraw
        redraw = self._aim(step, shown, wanted) or redraw
        if self._between is not None and self._drawn.differs("camera", (self.stage.camera(), scale)):
            self._letter(shown, wanted, scale)
            redraw = True
        return self._drawn.seen.pop("looked", False) is True or redraw

    def close(self) -> None:
        """Takes the view out of the window."""
        self._mark.close()
        self.stage.close()

    def _emphasise(self, now: Session, step: Step) -> bool:
        # beside the intended engine only what is picked is coloured: the strong colours would drown the phantom
        about = {*(() if now.comparing else step.about), *((now.picked,) if now.picked else ())}
        if not self._drawn.differs("about", (frozenset(about), now.ghosts)):
            return False
        there = {part for part, role in self.stage.keys() if role == "found"}
        self.stage.emphasise([part for part in about if part in there and part not in now.ghosts])
        self.stage.ghost([part for part in now.ghosts if part in there])
        cull(self.stage)
        return True

    def _put_away(self, now: Session, assembly: Assembly) -> None:
        for part, role in self.stage.keys():
            if role == "found":
                away = part in now.hidden or part.kind in exhibit.HIDDEN or not is_fitted(assembly, part)
                self.stage.show(part, not away, "found")
        cull(self.stage)

    def _compare(self, shown: Frame, state: State, wanted: Assembly | None) -> bool:
        """Puts the parts that stand elsewhere as intended beside those found, see-through."""
        if not self._drawn.differs("compared", (wanted, shown.crank_deg, id(shown.assembly) if wanted else 0)):
            return False
        off: frozenset[Part] = frozenset()
        self._between = None
        if wanted is not None:
            other = motion(self._engine, wanted, shown.crank_deg)
            found_at, wanted_at = poses(self._rig, state), poses(self._rig, other)
            off = frozenset(
                part
                for part in self._bodies
                if part.kind not in exhibit.HIDDEN
                and part in found_at  # a rocker's shaft stands still
                and is_fitted(shown.assembly, part)
                and not np.allclose(found_at[part][0], wanted_at[part][0], atol=_SAME_POSE)
            )
            for part in off:
                if (part, "intended") not in self.stage.keys():
                    body, marked = self._bodies[part]
                    self.stage.add(part, body, "intended", marked=marked)
            self.stage.move({part: wanted_at[part][0] for part in off}, "intended")
            self._between = between(self._engine, shown.assembly, wanted)
        for part, role in self.stage.keys():
            if role == "intended":
                self.stage.show(part, part in off, "intended")
        self._phantoms = off
        if self._between is None:
            self._mark.hide()
        self._drawn.seen.pop("camera", None)
        return True

    def _letter(self, shown: Frame, wanted: Assembly | None, scale: float) -> None:
        """The mark of the angle, its label beside the arc and inside the frame."""
        assert wanted is not None and self._between is not None
        points = self._sector(shown, wanted)
        width, height = self.stage.size_px
        font_px = max(8, round(14 * scale))
        places = project(self.stage.camera(), points, (width, height))
        half = np.array([_LABEL_EM * font_px * len(self._between.label) / 2 + font_px, 0.8 * font_px])
        # beyond the ends of the radii, on the way out from the shaft through the middle of the arc
        centre, out = places[1], places[[0, 2]].mean(axis=0) - places[1]
        out = out / max(float(np.linalg.norm(out)), 1.0)
        reach = max(float(((places - centre) @ out).max()), 0.0)
        clear = float((half / np.maximum(np.abs(out), 1e-6)).min())  # so far out the label just lets the radii free
        middle = centre + out * (reach + 0.6 * font_px + clear)
        x = float(np.clip(middle[0], half[0], max(half[0], width - half[0])))
        y = float(np.clip(height - middle[1] - half[1], font_px, height - 2.2 * font_px))
        self._mark.show(points, self._between.label, font_px, (x, y))

    def _sector(self, shown: Frame, wanted: Assembly) -> Floats:
        assert self._between is not None
        return sector(self._engine, self._between, motion(self._engine, wanted, shown.crank_deg))

    def _aim(self, step: Step, shown: Frame, wanted: Assembly | None) -> bool:
        """The camera of the step, or of the comparison, unless the user has taken it."""
        comparing = wanted is not None and self._between is not None
        if not self._drawn.differs("eye", (side(self._engine, step), comparing)) or self._own_camera:
            return False
        x, y, z = VIEWS["three-quarter"].direction
        if not comparing:
            y = -abs(y) if side(self._engine, step) < 0 else abs(y)
            self._go(self._fit((x, y, z), (0.0, 0.0, 1.0)), at_once=True)
            return True
        assert wanted is not None and self._between is not None
        left = self._engine.shafts[self._between.shaft].point[1] > 0
        kinds = (Kind.SHAFT, Kind.WHEEL, Kind.QUILL, Kind.SLEEVE, Kind.MATE, Kind.ROTOR, Kind.FINGER)
        about = [part for part in self._phantoms if part.kind in kinds]
        cloud = np.concatenate([self.stage.points(about, "found"), self._sector(shown, wanted)])
        width, height = self.stage.size_px
        direction = (x, -abs(y) if left else abs(y), z)
        self._go(fit(cloud, direction, (0.0, 0.0, 1.0), width / height, _COMPARED))
        return True

    def _fit(self, direction: object, up: object) -> Camera:
        width, height = self.stage.size_px
        visible = [part for part in self._bodies if part.kind not in exhibit.HIDDEN]
        return fit(self.stage.points(visible, "found"), direction, up, width / height, _MARGINS)  # type: ignore[arg-type]

    def _go(self, camera: Camera, at_once: bool = False) -> None:
        now = self.stage.camera()
        if at_once or now.parallel_half_height_mm is None:
            self._flight = None
            self.stage.look(camera)
        else:
            self._flight = Flight(start=now, end=camera)
        self._drawn.seen["looked"] = True
        self._drawn.seen.pop("camera", None)
