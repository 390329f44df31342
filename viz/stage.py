"""The stage: parts as actors that are made once and moved by matrices, one flat light, one camera, pictures of it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np
import pyvista as pv
from numpy.typing import ArrayLike, NDArray
from vtkmodules.vtkCommonCore import vtkUnsignedCharArray
from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow

from quillwise.kinematics.errors import GraphicsError
from quillwise.kinematics.parts import Part
from quillwise.viz import graphics, palette
from quillwise.viz.actors import Level, PartActors, Shape, actors_of, light, shape_of
from quillwise.viz.cameras import Camera
from quillwise.viz.picking import before, nearest

if TYPE_CHECKING:
    import trimesh

Role = Literal["found", "intended", "ghost"]
Key = tuple[Part, Role]
Picture = NDArray[np.uint8]

_HOME_LEVEL: Mapping[Role, Level] = {"found": "quiet", "intended": "intended", "ghost": "ghost"}
_MAX_IDS = 2**24 - 1


class Stage:
    """One view of the mechanism.

    ``Stage(size, …)`` opens a render window of its own, off screen unless ``window``; ``Stage.on`` uses one
    viewport of a plotter that exists. A part may stand on the stage once in each role: as "found" (solid),
    as "intended" (see-through, beside it) and as "ghost" (faint, to show where the mechanism sits).
    """

    def __init__(self, size_px: tuple[int, int], background: str = palette.GROUND, window: bool = False) -> None:
        """size_px: width and height of the picture. Raises GraphicsError without OpenGL, or without a display
        where a window is asked for."""
        found = graphics.probe()
        if window and not found.display:
            raise GraphicsError(graphics.NO_DISPLAY)
        plotter = pv.Plotter(off_screen=not window, window_size=list(size_px), lighting="none")
        self._set_up(plotter, plotter.renderers[0], background, owner=True)

    @classmethod
    def on(cls, plotter: pv.Plotter, row: int, column: int, background: str = palette.GROUND) -> Stage:
        """A stage in one viewport of ``plotter`` (whose ``shape`` has that row and column). The plotter stays
        its owner's to close; ``picture`` and ``identify`` give this viewport only."""
        stage = cls.__new__(cls)
        renderer = plotter.renderers[cast(Any, plotter.renderers).loc_to_index((row, column))]
        stage._set_up(plotter, renderer, background, owner=False)
        return stage

    def _set_up(self, plotter: pv.Plotter, renderer: pv.Renderer, background: str, owner: bool) -> None:
        self._plotter = plotter
        self._renderer = renderer
        self._owner = owner
        self._open = True
        self._background = background
        window = self._window()
        window.SetMultiSamples(0)
        width, height = window.GetSize()
        self._window_px = (int(width), int(height))
        self._line_scale = 1
        self._actors: dict[Key, PartActors] = {}
        self._shapes: dict[int, tuple[object, object, Shape]] = {}
        renderer.SetBackground(*palette.unit_rgb(background))
        renderer.SetUseFXAA(True)
        light(renderer)
        renderer.camera.is_set = True

    @property
    def plotter(self) -> pv.Plotter:
        """The plotter whose window this stage draws in: for its events and its window, not for its actors."""
        return self._plotter

    @property
    def renderer(self) -> pv.Renderer:
        """The viewport that this stage draws in."""
        return self._renderer

    @property
    def is_open(self) -> bool:
        """Whether there is still a window to draw in; drawing after it is closed raises GraphicsError."""
        return self._open and self._plotter.render_window is not None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of this stage's picture."""
        left, bottom, right, top = self._viewport_px(1)
        return right - left, top - bottom

    def keys(self) -> frozenset[Key]:
        """Every part that stands on the stage, with its role, visible or not."""
        return frozenset(self._actors)

    def add(
        self,
        part: Part,
        mesh: trimesh.Trimesh | tuple[ArrayLike, ArrayLike],
        role: Role = "found",
        colour: str | None = None,
        *,
        edges: bool = True,
        outline: bool = False,
        marked: NDArray[np.bool_] | None = None,
    ) -> None:
        """Puts a part on the stage, in its own frame; ``move`` gives it its place.

        mesh: a trimesh, or vertices (V, 3) [mm] and triangles (F, 3). Give the *same* object for equal parts: it
        is prepared once. colour: its quiet colour; left out, that of its kind. edges: draw edges over 30°.
        outline: draw the outline of round parts too (computed anew for every picture: dear).
        marked: the faces (F,) that are painted as the index mark.
        Raises ValueError when the part stands here in that role, or the mesh is none.
        """
        key = (part, role)
        if key in self._actors:
            raise ValueError(f"{part} stands on the stage already as {role}")
        default = palette.INTENDED if role == "intended" else palette.quiet(part.kind)
        actors = actors_of(
            self._shape(mesh, marked),
            colour or default,
            palette.strong(part.kind),
            _HOME_LEVEL[role],
            edges,
            self._renderer.camera if outline else None,
        )
        self._actors[key] = actors
        for actor in actors.all():
            vtkRenderer.AddActor(self._renderer, actor)
        actors.paint(self._line_scale)

    def move(self, poses: Mapping[Part, ArrayLike], role: Role = "found") -> None:
        """Gives parts their places: world_from_part, (4, 4). Parts that are not on the stage are passed over."""
        for part, pose in poses.items():
            actors = self._actors.get((part, role))
            if actors is not None:
                actors.move(np.asarray(pose, dtype=np.float64).reshape(4, 4))

    def show(self, part: Part, visible: bool, role: Role | None = None) -> None:
        """Shows or hides a part, in one role or in all. Raises KeyError when it does not stand on the stage."""
        for actors in self._of(part, role):
            actors.visible = visible
            actors.paint(self._line_scale)

    def emphasise(self, parts: Collection[Part]) -> None:
        """Strong colour and heavier edges for these parts, quiet for all others; ghosts stay ghosts unless named.

        Raises KeyError for a part that does not stand on the stage as found.
        """
        for part in parts:
            self._of(part, "found")
        for (part, role), actors in self._actors.items():
            if role != "found":
                continue
            if part in parts:
                actors.level = "strong"
            elif actors.level == "strong":
                actors.level = actors.home_level
            actors.paint(self._line_scale)

    def ghost(self, parts: Collection[Part]) -> None:
        """Makes exactly these parts faint and see-through; those that were and are not named become quiet.

        Raises KeyError for a part that does not stand on the stage as found.
        """
        for part in parts:
            self._of(part, "found")
        for (part, role), actors in self._actors.items():
            if role != "found":
                continue
            actors.home_level = "ghost" if part in parts else "quiet"
            if part in parts or actors.level == "ghost":
                actors.level = actors.home_level
            actors.paint(self._line_scale)

    def colour(self, part: Part, quiet: str | None = None, strong: str | None = None) -> None:
        """Another colour for a part in all its roles; None takes back that of its kind."""
        for (other, role), actors in self._actors.items():
            if other == part:
                default = palette.INTENDED if role == "intended" else palette.quiet(part.kind)
                actors.colour = quiet or default
                actors.strong_colour = strong or palette.strong(part.kind)
                actors.paint(self._line_scale)

    def points(self, parts: Iterable[Part] | None = None, role: Role | None = None) -> NDArray[np.float64]:
        """Vertices (N, 3) [mm] in the world of the visible parts, or of those named: what a camera must show."""
        wanted = None if parts is None else set(parts)
        clouds = [
            actors.shape.vertices @ actors.pose[:3, :3].T + actors.pose[:3, 3]
            for (part, its_role), actors in self._actors.items()
            if (actors.visible if wanted is None else part in wanted) and role in (None, its_role)
        ]
        return np.concatenate(clouds) if clouds else np.empty((0, 3))

    def look(self, camera: Camera) -> None:
        """Places the camera."""
        eye = self._renderer.camera
        eye.SetPosition(*camera.position)
        eye.SetFocalPoint(*camera.focal)
        eye.SetViewUp(*camera.up)
        parallel = camera.parallel_half_height_mm
        eye.SetParallelProjection(parallel is not None)
        if parallel is not None:
            eye.SetParallelScale(parallel)
        eye.SetViewAngle(camera.view_angle_deg)
        for actors in self._actors.values():
            actors.aim(parallel is not None)

    def camera(self) -> Camera:
        """The camera as it stands, wherever it was moved to."""
        eye = self._renderer.camera
        parallel = bool(eye.GetParallelProjection())
        (px, py, pz), (fx, fy, fz), (ux, uy, uz) = eye.GetPosition(), eye.GetFocalPoint(), eye.GetViewUp()
        return Camera(
            position=(px, py, pz),
            focal=(fx, fy, fz),
            up=(ux, uy, uz),
            parallel_half_height_mm=eye.GetParallelScale() if parallel else None,
            view_angle_deg=eye.GetViewAngle(),
        )

    def part_at(self, x_px: int, y_px: int) -> Part | None:
        """The nearest part seen at a place of the window, in pixels from its *lower* left corner; parts that are hidden
        or see-through are passed over. None beside the parts."""
        surfaces = (
            (part, actor)
            for (part, _), actors in self._actors.items()
            if actors.visible and actors.level in ("quiet", "strong")
            for actor in (actors.surface, actors.mark)
            if actor is not None
        )
        return nearest(surfaces, cast(vtkRenderer, self._renderer), (x_px, y_px))

    def render(self) -> None:
        """Draws the window, all its viewports. Nothing is drawn before this, ``picture`` or ``identify``."""
        self._draw(1)

    def picture(self, scale: int = 2, transparent: bool = False) -> Picture:
        """The picture (H, W, 3), uint8, top row first; (H, W, 4) with opacity, not premultiplied, if transparent.

        It is drawn ``scale`` times as large and averaged: lines and edges come out smooth. A window on the screen
        is drawn at its own size whatever the scale.
        """
        if scale < 1:
            raise ValueError(f"scale is 1 or more, got {scale}")
        scale = scale if self._plotter.off_screen else 1
        if transparent:
            picture = self._transparent(scale)
        else:
            self._draw(scale)
            picture = _rounded(_averaged(self._pixels(scale), scale))
        if not self._owner:
            self._resize(1)
        return picture

    def identify(
        self, ghosts: bool = False, only: Collection[Part] | None = None
    ) -> tuple[NDArray[np.int32], dict[int, Key]]:
        """Which part is seen at each pixel: numbers (H, W), 0 for the ground, and the part and role of each number.

        Drawn without light, lines or smoothing, every part opaque. Ghosts and intended places hide nothing and are
        left out unless ``ghosts``. ``only``: as if these parts stood alone. Every key on the stage has a number,
        whether it is seen or not.
        """
        keys = dict(enumerate(self._actors, start=1))
        if len(keys) > _MAX_IDS:
            raise ValueError("too many parts to tell apart by colour")
        self._renderer.SetUseFXAA(False)
        self._renderer.SetBackground(0.0, 0.0, 0.0)
        try:
            for number, key in keys.items():
                actors = self._actors[key]
                drawn = (ghosts or actors.level in ("quiet", "strong")) and (only is None or key[0] in only)
                actors.paint_flat((number >> 16, number >> 8 & 255, number & 255), drawn)
            self._resize(1)
            self._render_window()
            red, green, blue = np.moveaxis(self._pixels(1).astype(np.int32), -1, 0)
        finally:
            self._renderer.SetUseFXAA(True)
            self._renderer.SetBackground(*palette.unit_rgb(self._background))
            for actors in self._actors.values():
                actors.paint(self._line_scale)
        return (red << 16) + (green << 8) + blue, keys

    def seen(self, points: ArrayLike) -> tuple[NDArray[np.bool_], NDArray[np.int32], dict[int, Key]]:
        """Which points (N, 3) [mm] of the world no opaque part hides, (N,): those outside the picture are not seen.
        And the number of the part that stands at the pixel of each, (N,), 0 for the ground, with the part and role of
        each number."""
        numbers, keys = self.identify()
        rows, columns, in_front = before(self._window(), cast(Any, self._renderer), self._viewport_px(1), points)
        inside = rows >= 0
        return in_front, np.where(inside, numbers[rows, columns], 0), keys

    def close(self) -> None:
        """Takes the parts off; closes the window if it is this stage's own. May be called more than once."""
        if not self._open:
            return
        self._open = False
        for actors in self._actors.values():
            for actor in actors.all():
                self._renderer.RemoveActor(actor)
        self._actors.clear()
        self._shapes.clear()
        if self._owner:
            self._plotter.close()

    def __enter__(self) -> Stage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _of(self, part: Part, role: Role | None) -> list[PartActors]:
        found = [
            actors for (other, its_role), actors in self._actors.items() if other == part and role in (None, its_role)
        ]
        if not found:
            raise KeyError(f"{part} does not stand on the stage" + (f" as {role}" if role else ""))
        return found

    def _shape(self, mesh: trimesh.Trimesh | tuple[ArrayLike, ArrayLike], marked: NDArray[np.bool_] | None) -> Shape:
        # The mesh is kept beside its shape, so that its identity is not given to another object meanwhile.
        known = self._shapes.get(id(mesh))
        if known is not None and known[1] is marked:
            return known[2]
        solid: Any = (np.asarray(mesh[0]), np.asarray(mesh[1])) if isinstance(mesh, tuple) else mesh
        shape = shape_of(solid, marked)
        self._shapes[id(mesh)] = (mesh, marked, shape)
        return shape

    def _draw(self, scale: int) -> None:
        self._resize(scale)
        if scale != self._line_scale:
            self._line_scale = scale
            for actors in self._actors.values():
                actors.paint(scale)
        self._render_window()

    def _resize(self, scale: int) -> None:
        """A window of our own keeps the size of the last picture: a new size costs new buffers."""
        if self._plotter.off_screen:
            wanted = (self._window_px[0] * scale, self._window_px[1] * scale)
            window = self._window()
            if tuple(window.GetSize()) != wanted:
                window.SetSize(*wanted)

    def _render_window(self) -> None:
        window = self._window()
        self._renderer.ResetCameraClippingRange()
        window.Render()

    def _transparent(self, scale: int) -> Picture:
        """Opacity from two pictures, on black and on white: exact for see-through parts too, on every driver."""
        grounds = []
        self._renderer.SetUseFXAA(False)
        try:
            for level in (0.0, 1.0):
                self._renderer.SetBackground(level, level, level)
                self._draw(scale)
                grounds.append(_averaged(self._pixels(scale), scale))
        finally:
            self._renderer.SetUseFXAA(True)
            self._renderer.SetBackground(*palette.unit_rgb(self._background))
        on_black, on_white = grounds
        opacity = np.clip(1 - (on_white - on_black).mean(axis=-1, keepdims=True) / 255, 0, 1)
        colour = np.divide(on_black, opacity, out=np.zeros_like(on_black), where=opacity > 0)
        return _rounded(np.concatenate([np.clip(colour, 0, 255), opacity * 255], axis=-1))

    def _viewport_px(self, scale: int) -> tuple[int, int, int, int]:
        """Left, bottom, right and top border of the viewport in the drawn window, from the lower left corner."""
        if self._plotter.off_screen:
            width, height = self._window_px[0] * scale, self._window_px[1] * scale
        else:
            width, height = self._window().GetSize()
        left, bottom, right, top = self._renderer.GetViewport()
        return round(left * width), round(bottom * height), round(right * width), round(top * height)

    def _pixels(self, scale: int) -> Picture:
        left, bottom, right, top = self._viewport_px(scale)
        data = vtkUnsignedCharArray()
        self._window().GetPixelData(left, bottom, right - 1, top - 1, 0, data, 0)
        rows: Picture = np.asarray(cast(Any, data)).reshape(top - bottom, right - left, 3)
        return np.array(rows[::-1])

    def _window(self) -> vtkRenderWindow:
        """The render window. After it is closed VTK would end the process at the next call: an error instead."""
        window = self._plotter.render_window
        if not self._open or window is None:
            raise GraphicsError("The window is closed.")
        return cast(vtkRenderWindow, window)


def _averaged(picture: Picture, scale: int) -> NDArray[np.float32]:
    height, width = picture.shape[0] // scale, picture.shape[1] // scale
    blocks = picture[: height * scale, : width * scale].reshape(height, scale, width, scale, -1)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))


def _rounded(picture: NDArray[np.float32]) -> Picture:
    return np.asarray(np.rint(picture), dtype=np.uint8)
