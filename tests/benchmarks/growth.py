"""How times grow with cylinders, angles, teeth and steps: slopes on a log-log plot, each drawn as SVG."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from random_engines import in_line_six
from stopwatch import Figure, Work, best, slope

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.blocks import pose_blocks
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import best as best_trial
from quillwise.kinematics.couplings import positions, trials
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.diagnosis import diagnose
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.readings import BreakReading, Readings, ValveReading
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.meshes.gears import Spur, spur
from quillwise.scenes.judging import packaged as packaged_judgement
from quillwise.scenes.library import engine as packaged
from quillwise.viz import records

LINEAR = 1.1  # linear, and what noise makes of it

CYLINDERS = (4, 6, 8, 12, 16, 20, 24)
ANGLES = (100, 1_000, 10_000, 100_000, 1_000_000)
TEETH = (10, 20, 40, 80, 160, 400)
SET_CAMSHAFTS = (0, 1, 2, 4, 8, 14, 20)


@dataclass(frozen=True, kw_only=True, slots=True)
class Curve:
    """Times of one kind of work. by: what grows; sizes and times [s]: pairs; remark: said where it is over linear."""

    name: str
    by: str
    sizes: Sequence[float]
    times: Sequence[float]
    remark: str = ""

    @property
    def slope(self) -> float:
        """On a log-log plot, by least squares: the steeper of the whole and of the three largest sizes, since what
        every size needs alike makes the whole look flatter than the work grows."""
        return max(slope(self.sizes, self.times), slope(self.sizes[-3:], self.times[-3:]))


def in_line(cylinders: int) -> DataSheet:
    """The in-line engine of the tests with so many cylinders, firing in their order; without its magneto, whose speed
    and poles go with six."""
    sheet = in_line_six()
    order = tuple(f"A{number}" for number in range(1, cylinders + 1))
    return replace(
        sheet,
        scene=f"in-line-{cylinders}",
        firing_order=order,
        banks=(replace(sheet.banks[0], cylinders=cylinders),),
        magnetos=(),
        couplings=sheet.couplings[:1],
        trains=sheet.trains[:2],
        setup=tuple(step for step in sheet.setup if step.do != "set-magneto"),
    )


def by_cylinders() -> Iterator[Curve]:
    """The mechanism by its cylinders."""
    engines = [build(in_line(count)) for count in CYLINDERS]
    cycle = np.arange(0.0, 720.0, 1.0)
    works: dict[str, Callable[[Engine], Work]] = {
        "build": lambda one: lambda: build(one.sheet),
        "timing table": lambda one: lambda: timing_table(one, intended(one)),
        "set-up played": lambda one: lambda: play(one),
        "state and poses of a cycle": _cycle_of(cycle),
    }
    for name, made in works.items():
        yield Curve(name=name, by="cylinders", sizes=CYLINDERS, times=[best(made(one)) for one in engines])


def _cycle_of(cycle: np.ndarray) -> Callable[[Engine], Work]:
    def of(one: Engine) -> Work:
        the_rig, assembly = rig(one), intended(one)
        return lambda: poses(the_rig, motion(one, assembly, cycle))

    return of


def by_angles() -> Iterator[Curve]:
    """State and poses of the demonstration, block after block."""
    engine = packaged("larkfell-port")
    the_rig, assembly = rig(engine), intended(engine)

    def work(count: int) -> Work:
        def run() -> None:
            for _ in pose_blocks(engine, the_rig, assembly, np.linspace(0.0, 720.0, count)):
                pass

        return run

    times = [best(work(count), 3 if count <= 10_000 else 1) for count in ANGLES]
    yield Curve(name="state and poses by blocks", by="angles", sizes=ANGLES, times=times)


def by_teeth() -> Iterator[Curve]:
    """A coupling of N to N + 1 teeth, and a wheel."""
    sheet, judgement = in_line_six(), packaged_judgement()
    couplings = [replace(sheet.couplings[0], driving_teeth=teeth, driven_teeth=teeth + 1) for teeth in TEETH]
    table = [best(lambda one=one: best_trial(trials(one, 0.1))) for one in couplings]  # type: ignore[misc]
    yield Curve(name="vernier table", by="teeth", sizes=TEETH, times=table)
    wheels = [
        best(lambda teeth=teeth: spur(Spur(teeth=teeth, module_mm=2.0, face_mm=12.0, bore_mm=8.0)), 3)
        for teeth in TEETH
    ]  # type: ignore[misc]
    yield Curve(name="body of a spur wheel", by="teeth", sizes=TEETH, times=wheels)
    event = ValveReading(valve="A1 inlet", flank="opens", crank_deg=345.0, clearance_mm=0.4, u_deg=0.4)
    spark = BreakReading(magneto="single", finger_on="A1", crank_deg=685.0, u_deg=0.2)
    readings = Readings(entries=(event, spark), disc_proved=True)
    engines = [build(replace(sheet, couplings=(one, *sheet.couplings[1:]))) for one in couplings]
    judged = [best(lambda one=one: diagnose(one, readings, judgement), 2) for one in engines]  # type: ignore[misc]
    remark = "limit: every tooth at one end with every tooth at the other is judged, so the positions are the square"
    yield Curve(name="diagnosis", by="teeth", sizes=TEETH, times=judged, remark=remark)
    places = [positions(teeth, teeth + 1) for teeth in TEETH]
    yield Curve(name="diagnosis", by="positions", sizes=places, times=judged)


def by_steps() -> Iterator[Curve]:
    """A set-up whose camshaft is set anew so many times, played and told."""
    engines = [build(_set_again(times)) for times in SET_CAMSHAFTS]
    steps = [len(play(one).steps) for one in engines]
    played = [best(lambda one=one: play(one)) for one in engines]  # type: ignore[misc]
    yield Curve(name="set-up played", by="steps", sizes=steps, times=played)
    told = [best(lambda one=one: records.rehearsal(one, play(one))) for one in engines]  # type: ignore[misc]
    yield Curve(name="set-up played and told", by="steps", sizes=steps, times=told)


def _set_again(times: int) -> DataSheet:
    """An in-line six whose camshaft is set so many times; not at all: geared without a coupling."""
    sheet = in_line(6)
    prepare, camshaft, finish = sheet.setup
    if times:
        return replace(sheet, setup=(prepare, *[camshaft] * times, finish))
    crank, train = sheet.trains
    geared = replace(train, stages=tuple(stage for stage in train.stages if stage.kind != "coupling"))
    return replace(sheet, couplings=(), trains=(crank, geared), setup=(prepare, finish))


def curves() -> Iterator[Curve]:
    """All of them."""
    yield from by_cylinders()
    yield from by_angles()
    yield from by_teeth()
    yield from by_steps()


def figures(plots: Path | None = None) -> Iterator[Figure]:
    """The slopes. plots: a folder for the curves as SVG, a file for each thing that grows."""
    found = []
    for curve in curves():
        found.append(curve)
        least, most = f"{min(curve.sizes):,}", f"{max(curve.sizes):,}"
        yield Figure(
            name=f"{curve.name}, {least} to {most} {curve.by}",
            reference="slope on a log-log plot",
            ratio=curve.slope,
            most=LINEAR,
            took=curve.times[-1],
            remark=curve.remark,
        )
    if plots is not None:
        plots.mkdir(parents=True, exist_ok=True)
        for by in dict.fromkeys(curve.by for curve in found):
            draw([curve for curve in found if curve.by == by], plots / f"growth-by-{by}.svg")


def draw(curves: Sequence[Curve], path: Path) -> None:
    """The curves of one thing that grows on a log-log plot, with a dotted line of slope 1 through each first point."""
    import matplotlib
    from matplotlib.figure import Figure as Sheet

    with matplotlib.rc_context({"svg.hashsalt": "quillwise", "svg.fonttype": "none"}):
        sheet = Sheet(figsize=(6.4, 4.4), layout="constrained")
        axes = sheet.add_subplot()
        for curve in curves:
            line = axes.loglog(curve.sizes, curve.times, "o-", label=f"{curve.name}: slope {curve.slope:.2f}")[0]
            linear = [curve.times[0] * size / curve.sizes[0] for size in curve.sizes]
            axes.loglog(curve.sizes, linear, ":", color=line.get_color(), linewidth=0.8)
        axes.set_xlabel(curves[0].by)
        axes.set_ylabel("processor time [s]")
        axes.set_title("dotted: linear", fontsize=9, loc="right")
        axes.grid(visible=True, which="major", linewidth=0.4)
        axes.legend(fontsize=8)
        sheet.savefig(path, format="svg", metadata={"Date": None})
