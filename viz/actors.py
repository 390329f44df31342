"""The drawn things of one part: shaded surface, dark feature lines, outline and painted marks, on one matrix."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from vtkmodules.vtkCommonMath import vtkMatrix4x4
from vtkmodules.vtkFiltersHybrid import vtkPolyDataSilhouette
from vtkmodules.vtkRenderingCore import vtkActor, vtkCamera, vtkLight, vtkPolyDataMapper, vtkRenderer

from quillwise.viz import palette

if TYPE_CHECKING:
    import trimesh

Floats = NDArray[np.float64]
Faces = tuple[NDArray[Any], NDArray[Any]]  # vertices (V, 3) [mm], triangles (F, 3) of vertex numbers
Level = Literal["quiet", "strong", "ghost", "intended"]

FEATURE_ANGLE_DEG = 30.0
_QUIET_EDGE = palette.mixed(palette.EDGE, palette.WHITE, 0.30)
_GHOST_EDGE = palette.mixed(palette.EDGE, palette.WHITE, 0.62)
_GHOST_OPACITY = 0.10
_INTENDED_OPACITY = 0.28
_EDGE_WIDTH_PX = 1.0
_STRONG_EDGE_WIDTH_PX = 1.5
# Lines lie on the faces that they bound: drawn this share of the depth range nearer, they are not half swallowed.
_LINE_NEARER = 4e-4
_PHANTOM_FURTHER = 4e-4


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """The geometry of a part, made once and shared by all actors of equal parts."""

    vertices: Floats
    shaded: pv.PolyData
    marked: pv.PolyData | None
    welded: pv.PolyData
    lines: pv.PolyData | None


@dataclass(slots=True, eq=False)
class PartActors:
    """What is drawn of one part in one role. ``pose``: world_from_part, the matrix of all its actors."""

    shape: Shape
    colour: str
    strong_colour: str
    level: Level
    home_level: Level
    surface: vtkActor
    mark: vtkActor | None
    line_actors: list[vtkActor]
    outline: vtkPolyDataSilhouette | None = None
    visible: bool = True
    pose: Floats = field(default_factory=lambda: np.eye(4))
    matrix: vtkMatrix4x4 = field(default_factory=vtkMatrix4x4)

    def all(self) -> Iterator[vtkActor]:
        yield self.surface
        if self.mark is not None:
            yield self.mark
        yield from self.line_actors

    def move(self, pose: Floats) -> None:
        self.pose = pose
        self.matrix.DeepCopy(pose.ravel().tolist())

    def aim(self, parallel: bool) -> None:
        """Tells the outline how the camera looks: its filter does not ask the camera whether it is parallel."""
        if self.outline is not None:
            if parallel:
                self.outline.SetDirectionToCameraVector()
            else:
                self.outline.SetDirectionToCameraOrigin()

    def paint(self, line_scale: float) -> None:
        """Sets colours, opacity and line widths from the level. line_scale: pixels drawn per pixel shown."""
        ghost = self.level == "ghost"
        phantom = self.level == "intended"
        surface = self.surface.GetProperty()
        surface.SetLighting(True)
        surface.SetColor(*palette.unit_rgb(self.strong_colour if self.level == "strong" else self.colour))
        surface.SetAmbient(0.55 if self.level == "strong" else 0.42)
        surface.SetDiffuse(0.60)
        surface.SetSpecular(0.0)
        surface.SetOpacity(_GHOST_OPACITY if ghost else _INTENDED_OPACITY if phantom else 1.0)
        surface.SetBackfaceCulling(ghost or phantom)
        if self.mark is not None:
            self.mark.GetProperty().SetLighting(False)
            self.mark.GetProperty().SetColor(*palette.unit_rgb(palette.INDEX_MARK))
            self.mark.GetProperty().SetOpacity(surface.GetOpacity())
        edge, width = _QUIET_EDGE, _EDGE_WIDTH_PX
        if ghost:
            edge = _GHOST_EDGE
        elif phantom:
            edge = palette.INTENDED
        elif self.level == "strong":
            edge, width = palette.EDGE, _STRONG_EDGE_WIDTH_PX
        for line in self.line_actors:
            line.GetProperty().SetColor(*palette.unit_rgb(edge))
            line.GetProperty().SetLineWidth(width * line_scale)
        for actor in self.all():
            actor.SetVisibility(self.visible)

    def paint_flat(self, colour: tuple[int, int, int], drawn: bool) -> None:
        """One colour without light, surface only, for counting pixels."""
        for actor in self.all():
            actor.SetVisibility(False)
        for solid in (self.surface, self.mark):
            if solid is not None:
                solid.SetVisibility(drawn and self.visible)
                solid.GetProperty().SetLighting(False)
                # Without light VTK adds both shares up: over 1 together, they would change the number.
                solid.GetProperty().SetAmbient(1.0)
                solid.GetProperty().SetDiffuse(0.0)
                solid.GetProperty().SetOpacity(1.0)
                solid.GetProperty().SetColor(*(value / 255 for value in colour))


def shape_of(solid: trimesh.Trimesh | Faces, marked: NDArray[np.bool_] | None) -> Shape:
    """Prepares a mesh: normals that are smooth up to 30° and sharp beyond, and its feature lines.

    marked: which of the faces (F,) are painted as an index mark.
    Raises ValueError when the arrays have not the shape of a triangle mesh or are empty.
    """
    raw_vertices, raw_faces = solid if isinstance(solid, tuple) else (solid.vertices, solid.faces)
    vertices = np.array(raw_vertices, dtype=np.float64)
    faces = np.asarray(raw_faces)
    if vertices.ndim != 2 or vertices.shape[1:] != (3,) or faces.shape[1:] != (3,) or not len(faces):
        raise ValueError(f"expected vertices (V, 3) and triangles (F, 3), got {vertices.shape}, {faces.shape}")
    # Faces that share a place but no vertex would each get their own border drawn.
    welded = pv.PolyData.from_regular_faces(vertices, faces).clean(
        point_merging=True, tolerance=1e-7, lines_to_points=False, polys_to_lines=False
    )
    lines = welded.extract_feature_edges(
        feature_angle=FEATURE_ANGLE_DEG,
        boundary_edges=True,
        feature_edges=True,
        non_manifold_edges=False,
        manifold_edges=False,
    )
    painted = None
    plain = welded
    if marked is not None and marked.any():
        if marked.shape != (len(faces),):
            raise ValueError(f"expected one mark for each of {len(faces)} faces, got {marked.shape}")
        painted = _smooth(pv.PolyData.from_regular_faces(vertices, faces[marked]))
        plain = pv.PolyData.from_regular_faces(vertices, faces[~marked])
    return Shape(
        vertices=vertices[np.unique(faces)],
        shaded=_smooth(plain),
        marked=painted,
        welded=welded,
        lines=lines if lines.n_cells else None,
    )


def actors_of(
    shape: Shape, colour: str, strong_colour: str, level: Level, edges: bool, outline_camera: vtkCamera | None
) -> PartActors:
    """Makes the actors of a part. outline_camera: the camera for which its outline is drawn; None draws none."""
    lines: list[vtkActor] = []
    surface = _actor(shape.shaded)
    if edges and shape.lines is not None:
        lines.append(_line_actor(_mapper(shape.lines)))
    outline = None
    if outline_camera is not None:
        outline = vtkPolyDataSilhouette()
        outline.SetInputData(_askew(shape.welded))
        outline.SetCamera(outline_camera)
        outline.SetProp3D(surface)
        outline.SetEnableFeatureAngle(False)
        mapper = vtkPolyDataMapper()
        mapper.SetInputConnection(outline.GetOutputPort())
        lines.append(_line_actor(mapper))
    made = PartActors(
        shape=shape,
        colour=colour,
        strong_colour=strong_colour,
        level=level,
        home_level=level,
        surface=surface,
        mark=_actor(shape.marked) if shape.marked is not None else None,
        line_actors=lines,
        outline=outline,
    )
    if level == "intended":
        # where a face of it lies in the same plane as that of the part as found, the part as found is seen
        for actor in (made.surface, made.mark):
            if actor is not None:
                _nearer(actor, -_PHANTOM_FURTHER)
    made.aim(outline_camera is not None and bool(outline_camera.GetParallelProjection()))
    for actor in made.all():
        actor.SetUserMatrix(made.matrix)
    return made


def _smooth(mesh: pv.PolyData) -> pv.PolyData:
    smooth: pv.PolyData = mesh.compute_normals(
        cell_normals=False,
        point_normals=True,
        split_vertices=True,
        consistent_normals=False,
        feature_angle=FEATURE_ANGLE_DEG,
    )
    return smooth


def _askew(mesh: pv.PolyData) -> pv.PolyData:
    """The mesh turned by a hundred-thousandth of a radian about a skew axis.

    A face that stands exactly edge-on, as in every view along an axis, belongs to neither side for VTK, and the
    outline has a hole there.
    """
    turned: pv.PolyData = mesh.rotate_vector((0.36, 0.48, 0.80), np.degrees(1e-5), inplace=False)
    return turned


def _mapper(mesh: pv.PolyData) -> vtkPolyDataMapper:
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(mesh)
    mapper.ScalarVisibilityOff()
    return mapper


def _actor(mesh: pv.PolyData) -> vtkActor:
    actor = vtkActor()
    actor.SetMapper(_mapper(mesh))
    return actor


def _line_actor(mapper: vtkPolyDataMapper) -> vtkActor:
    actor = vtkActor()
    actor.SetMapper(mapper)
    actor.SetPickable(False)
    actor.GetProperty().SetLighting(False)
    _nearer(actor, _LINE_NEARER)
    return actor


def _nearer(actor: vtkActor, share: float) -> None:
    """Draws an actor nearer by a share of the depth range (negative: further) than it is."""
    actor.GetShaderProperty().AddVertexShaderReplacement(
        "//VTK::PositionVC::Impl",
        True,
        f"//VTK::PositionVC::Impl\n  gl_Position.z -= {share:.1e} * gl_Position.w;\n",
        False,
    )


def light(renderer: pv.Renderer) -> None:
    """A headlight and a softer light from the upper left, both fixed to the camera; no shadows."""
    renderer.remove_all_lights()
    renderer.SetAutomaticLightCreation(False)
    for position, strength in (((0.0, 0.0, 1.0), 0.70), ((-0.8, 1.0, 0.6), 0.42)):
        light = vtkLight()
        light.SetLightTypeToCameraLight()
        light.SetPosition(*position)
        light.SetFocalPoint(0.0, 0.0, 0.0)
        light.SetIntensity(strength)
        vtkRenderer.AddLight(renderer, light)
