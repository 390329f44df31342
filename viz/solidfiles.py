"""STL and 3MF of bodies in place, in millimetres. The same bodies give the same bytes."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from xml.sax.saxutils import quoteattr

import trimesh

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>\n"
)
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the least that a ZIP file can name: no clock goes into the file

Named = tuple[str, trimesh.Trimesh]


def stl(bodies: Sequence[Named]) -> bytes:
    """Binary STL of all bodies [mm], which has no names and no unit: say "mm" in the name of the file. Raises nothing.

    >>> import trimesh
    >>> len(stl([("cube", trimesh.creation.box((10.0, 10.0, 10.0)))]))  # header 80, count 4, 12 triangles of 50 bytes
    684
    """
    joined = trimesh.util.concatenate([body for _, body in bodies])
    return bytes(trimesh.exchange.stl.export_stl(joined))


def threemf(bodies: Sequence[Named], title: str, notice: str) -> bytes:
    """3MF (core specification) with one named object a body [mm]; shared corners, so that each edge has two triangles.

    trimesh can write 3MF too, but with random identifiers and the hour: never the same bytes. Raises nothing.
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, text in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONS),
            ("3D/3dmodel.model", _model(bodies, title, notice)),
        ):
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3  # else it tells the system that it was made on
            archive.writestr(entry, text.encode("utf-8"))
    return out.getvalue()


def _model(bodies: Sequence[Named], title: str, notice: str) -> str:
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<model unit="millimeter" xml:lang="en" xmlns="{_CORE}">',
        f'<metadata name="Title">{_text(title)}</metadata>',
        f'<metadata name="Description">{_text(notice)}</metadata>',
        "<resources>",
    ]
    for number, (name, body) in enumerate(bodies, start=1):
        lines.append(f'<object id="{number}" type="model" name={quoteattr(name)}><mesh><vertices>')
        lines += [f'<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"/>' for x, y, z in body.vertices.tolist()]
        lines.append("</vertices><triangles>")
        lines += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in body.faces.tolist()]
        lines.append("</triangles></mesh></object>")
    lines.append("</resources><build>")
    lines += [f'<item objectid="{number}"/>' for number in range(1, len(bodies) + 1)]
    lines.append("</build></model>\n")
    return "\n".join(lines)


def _text(value: str) -> str:
    return value.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
