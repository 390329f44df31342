"""An engine with none, one or several magnetos: the packaged six, its one magneto left out or made more than once."""

from __future__ import annotations

from dataclasses import replace

from quillwise.kinematics.datasheet import DataSheet
from quillwise.scenes.reader import load


def six_with(count: int) -> DataSheet:
    """The sheet of the packaged six with so many magnetos, each behind a sleeve of its own, named by its place."""
    sheet = load("slipway-six")
    (magneto,) = sheet.magnetos
    quill, sleeve = sheet.couplings
    *others, drive = sheet.trains
    (setting,) = (job for job in sheet.setup if job.do == "set-magneto")
    names = [magneto.name, "port", "upper", "lower"][:count]
    place = sheet.setup.index(setting)
    return replace(
        sheet,
        couplings=(quill, *(replace(sleeve, name=_sleeve(name, magneto.name)) for name in names)),
        trains=(
            *others,
            *(
                replace(
                    drive,
                    drives=f"{name} magneto",
                    stages=tuple(
                        replace(stage, coupling=_sleeve(name, magneto.name)) if stage.coupling else stage
                        for stage in drive.stages
                    ),
                )
                for name in names
            ),
        ),
        magnetos=tuple(
            replace(magneto, name=name, plugs=f"{name} plugs", stands="left" if number % 2 else "right")
            for number, name in enumerate(names)
        ),
        setup=(*sheet.setup[:place], *(replace(setting, magneto=name) for name in names), *sheet.setup[place + 1 :]),
    )


def _sleeve(name: str, first: str) -> str:
    return "sleeve" if name == first else f"sleeve-{name}"
