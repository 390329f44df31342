"""Valid data sheets of engines of many kinds, as hypothesis strategies, and two engines made by hand.

Every figure is invented. In-line engines of 3 to 8 cylinders with any firing order; V engines of 4 to 12 and W engines
of 9 and 12 whose firing order, bank angles and rotation put the cylinders of a number on one crank pin; upright, flat,
leaning over or hanging down; with link rods; and V engines with a cylinder left out, which fire unevenly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

import hypothesis.strategies as st
from hypothesis import assume

from quillwise.kinematics.build import build
from quillwise.kinematics.cams import LAWS, curve_problems
from quillwise.kinematics.datasheet import (
    BankData,
    CouplingData,
    CrankData,
    DataSheet,
    Follower,
    MagnetoData,
    Rods,
    Rotation,
    StageData,
    StepData,
    TrainData,
    ValveData,
    ValveKind,
)
from quillwise.kinematics.ignition import fired, spark_problems
from quillwise.kinematics.lobes import lobe_problems
from quillwise.kinematics.model import Engine
from quillwise.kinematics.throws import place_cylinders

EVENTS = ("inlet opens", "inlet closes", "exhaust opens", "exhaust closes")
HALF = Fraction(1, 2)
Teeth = tuple[int, int]


def pair(ratio: Fraction, least: int, most: int) -> Teeth | None:
    """The smallest tooth counts (driving, driven), each from ``least`` to ``most``, of exactly this ratio."""
    for times in range(1, most + 1):
        driving, driven = ratio.numerator * times, ratio.denominator * times
        if max(driving, driven) > most:
            return None
        if min(driving, driven) >= least:
            return driving, driven
    return None


def _half_speed_trains() -> list[tuple[Teeth, Teeth, Teeth]]:
    """Spur to the wheelcase shaft, bevels to and from the inclined shaft, that give exactly half speed."""
    found = []
    for spur in ((24, 36), (30, 30), (21, 28), (20, 30), (25, 45), (36, 27)):
        for driving in (32, 35, 36, 40):
            for driven in range(12, 17):
                rest = HALF / (Fraction(*spur) * Fraction(driving, driven))
                last = pair(rest, 10, 70)
                if last:
                    found.append((spur, (driving, driven), last))
    return found


HALF_SPEED_TRAINS = _half_speed_trains()


def spur(teeth: Teeth) -> StageData:
    """A spur stage."""
    return StageData(kind="spur", driving_teeth=teeth[0], driven_teeth=teeth[1])


def internal(teeth: Teeth) -> StageData:
    """A stage into an internally toothed wheel."""
    return StageData(kind="internal", driving_teeth=teeth[0], driven_teeth=teeth[1])


def bevel(teeth: Teeth) -> StageData:
    """A bevel stage."""
    return StageData(kind="bevel", driving_teeth=teeth[0], driven_teeth=teeth[1])


def through(coupling: str) -> StageData:
    """A stage through a vernier coupling."""
    return StageData(kind="coupling", coupling=coupling)


@st.composite
def valve_data(draw: st.DrawFn, kind: ValveKind, bore_mm: float) -> ValveData:
    """Valves of a kind that have a lobe: all laws, flat followers and rockers, the room known or not."""
    inlet = kind == "inlet"
    follower: Follower = draw(st.sampled_from(("flat", "rocker")))
    made = ValveData(
        kind=kind,
        opens_deg=draw(st.integers(325, 355)) if inlet else draw(st.integers(100, 135)),
        closes_deg=draw(st.integers(575, 615)) if inlet else draw(st.integers(365, 395)),
        lift_mm=draw(st.sampled_from((7.5, 9.0, 11.0))),
        ramp_mm_per_crank_deg=draw(st.sampled_from((0.015, 0.02, 0.03))),
        checking_clearance_mm=draw(st.sampled_from((0.25, 0.40, 0.5))),
        running_clearance_mm=draw(st.sampled_from((0.2, 0.3, 0.45))),
        law=draw(st.sampled_from(tuple(LAWS))),
        follower=follower,
        rocker_ratio=1.0 if follower == "flat" else draw(st.sampled_from((1.0, 1.25, 1.5))),
        room_at_tdc_mm=draw(st.none() | st.sampled_from((4.0, 8.0))),
        angle_to_cylinder_deg=draw(st.sampled_from((0.0, 15.0, 30.0))),
        base_radius_mm=draw(st.sampled_from((0.3 * bore_mm, 0.3 * bore_mm, None))),  # the default takes long to find
    )
    assume(not curve_problems(made) and not lobe_problems(made, bore_mm))
    return made


def _v_order(draw: st.DrawFn, each: int, between_deg: int, sigma: int, letters: str) -> tuple[str, ...]:
    """A firing order for two banks whose angle (turn of the first less turn of the second) is ``between_deg``.

    Slot s fires at s·720/(2·each); 360° is ``each`` slots. A number's two slots differ by the bank angle, so modulo
    ``each`` the second bank's residue follows from the first's, and a residue's two slots go to one of either bank.
    """
    shift = sigma * between_deg // (360 // each)
    residues = draw(st.permutations(range(each)))
    late = draw(st.lists(st.booleans(), min_size=each, max_size=each))
    slots = {}
    for number, residue in enumerate(residues, start=1):
        slots[residue + each * late[residue]] = f"{letters[0]}{number}"
        other = (residue - shift) % each
        slots[other + each * (not late[other])] = f"{letters[1]}{number}"
    return tuple(slots[slot] for slot in range(2 * each))


def _w_order(draw: st.DrawFn, turns: Sequence[float], throws: Sequence[int], sigma: int) -> tuple[str, ...]:
    """A firing order for three banks on these throws: each cylinder in a slot in which its piston is at its top, and
    where two are at theirs together, either in the earlier."""
    count = 3 * len(throws)
    tops: dict[int, list[str]] = {}
    for letter, turn in zip("ABC", turns, strict=True):
        for number, throw in enumerate(throws, 1):
            tops.setdefault(round(sigma * (turn - throw - turns[0] + throws[0])) % 360, []).append(f"{letter}{number}")
    slots = {}
    for top, names in tops.items():
        free = [at * count // 720 for at in (top, top + 360) if at * count % 720 == 0]
        # the first cylinder of the order stands at 0: A1's top
        slots.update(zip(free, draw(st.permutations(names)), strict=True))
    return tuple(slots[slot] for slot in range(count))


def _one_left_out(
    order: Sequence[str], turns: Mapping[str, float], each: int, sigma: int
) -> tuple[tuple[str, ...], tuple[float, ...], str]:
    """The order of an even V engine without one cylinder of the highest number, the crank's pins by number, which stay
    where they were, and the bank that is short of it."""
    gone = next(name for name in order[1:] if name.endswith(str(each)))
    whole = next(letter for letter in turns if letter != gone[0])
    pins = [turns[whole] - sigma * order.index(f"{whole}{n}") * 360.0 / each for n in range(1, each + 1)]
    return tuple(name for name in order if name != gone), tuple(pins), gone[0]


def _with_link_rods(draw: st.DrawFn, crank: CrankData, banks: Sequence[BankData]) -> CrankData:
    """Rods for two banks or more on a throw: any kind that can be, the wrist pins where they may be."""
    kinds: tuple[Rods, ...] = ("side-by-side", "articulated")
    rods: Rods = draw(st.sampled_from(kinds if len(banks) > 2 else ("fork-and-blade", *kinds)))
    if rods != "articulated":
        return replace(crank, rods=rods)
    most = max(bank.cylinders for bank in banks)
    wrist = draw(st.sampled_from((0.36, 0.42))) * crank.bore_mm
    return replace(
        crank,
        rods=rods,
        master_bank=draw(st.sampled_from([bank.name for bank in banks if bank.cylinders == most])),
        wrist_pin_radius_mm=wrist,
        link_rod_length_mm=draw(st.none() | st.just(crank.rod_length_mm - 1.01 * wrist)),
    )


@st.composite
def couplings(draw: st.DrawFn, name: str, kind: str) -> CouplingData:
    """A vernier coupling: common factors, equal counts and any place of its teeth are allowed."""
    return CouplingData(
        name=name,
        kind="quill" if kind == "quill" else "sleeve",
        driving_teeth=draw(st.integers(8, 24)),
        driven_teeth=draw(st.integers(8, 24)),
        free_play_driven_shaft_deg=draw(st.sampled_from((0.0, 0.2, 1.0))),
        tooth_phase_deg=draw(st.floats(-15, 15).map(lambda phase: round(phase, 3))),
    )


def magneto_data(name: str, cylinders: int, lobes: int, break_deg: float, stands: str) -> MagnetoData:
    """A magneto with as many poles as lobes, whose finger turns at half crank speed."""
    finger = pair(Fraction(lobes, cylinders), 12, 80)
    assert finger is not None
    return MagnetoData(
        name=name,
        plugs=name,
        break_deg=break_deg,
        poles=lobes,
        e_gap_deg=11.0,
        lobes=lobes,
        dwell_deg=0.6 * 360 / lobes,
        finger_teeth=finger,
        finger_width_deg=5.0,
        segment_width_deg=6.0,
        stands="left" if stands == "left" else "right",
    )


def magneto_train(magneto: MagnetoData, cylinders: int, turns_of_wheelcase: Fraction, coupling: str) -> TrainData:
    """From the wheelcase shaft by a spur pair, and through a sleeve when one is named."""
    ratio = Fraction(cylinders, 2 * magneto.lobes) / turns_of_wheelcase
    teeth = pair(ratio, 10, 120)
    assert teeth is not None
    stages = (spur(teeth), through(coupling)) if coupling else (spur(teeth),)
    return TrainData(drives=f"{magneto.name} magneto", from_shaft="wheelcase shaft", stages=stages)


@st.composite
def sheets(draw: st.DrawFn) -> DataSheet:
    """Data sheets of valid engines."""
    rotation: Rotation = draw(st.sampled_from(("clockwise", "anticlockwise")))
    sigma = 1 if rotation == "clockwise" else -1
    kind = draw(st.sampled_from(("in line", "V", "V", "W", "unequal")))
    pins: tuple[float, ...] | None = None
    if kind == "in line":
        each, letters = draw(st.integers(3, 8)), "A"
        banks: tuple[BankData, ...] = (
            BankData(name="A", turn_deg=draw(st.sampled_from((0.0, -20.0, 35.0, 180.0))), cylinders=each),
        )
        order = tuple(draw(st.permutations([f"A{n}" for n in range(1, each + 1)])))
    elif kind == "W":
        letters, angle = "ABC", draw(st.sampled_from((40, 60)))
        throws = draw(st.permutations((0, 120, 240) if angle == 40 else (0, 180, 180, 0)))
        each = len(throws)
        turns = draw(st.sampled_from(((-angle, 0.0, angle), (180.0 + angle, 180.0, 180.0 - angle))))
        banks = tuple(BankData(name=n, turn_deg=t, cylinders=each) for n, t in zip(letters, turns, strict=True))
        order = _w_order(draw, turns, throws, sigma)
    else:
        each, letters = draw(st.integers(2 if kind == "V" else 3, 6)), "AB"
        angle = draw(st.sampled_from([v for v in (60, 72, 90, 120, 180) if v % (360 // each) == 0]))
        over = draw(st.sampled_from((0.0, 0.0, 20.0, 180.0)))
        turns = draw(st.permutations((over - angle / 2, over + angle / 2)))
        banks = tuple(BankData(name=n, turn_deg=t, cylinders=each) for n, t in zip(letters, turns, strict=True))
        order = _v_order(draw, each, int(turns[0] - turns[1]), sigma, letters)
        if kind == "unequal":
            order, pins, short = _one_left_out(order, dict(zip(letters, turns, strict=True)), each, sigma)
            banks = tuple(replace(bank, cylinders=each - (bank.name == short)) for bank in banks)
    bore = draw(st.sampled_from((70.0, 110.0, 150.0)))
    stroke = bore * draw(st.sampled_from((0.9, 1.15, 1.4)))
    quills = tuple(draw(couplings(f"quill-{letter.lower()}", "quill")) for letter in letters)
    narrow = kind == "W" and abs(banks[0].turn_deg - banks[1].turn_deg) < 60
    trains, wheelcase = draw(_camshaft_trains(letters, quills, inclined=not narrow))
    lobes = draw(st.sampled_from((2, 4)))
    first_break = draw(st.integers(670, 690))
    names = ("exhaust-side", "inlet-side")[: draw(st.integers(0, 2)) if pins is None else 0]
    places = zip(names, (first_break, first_break + 7), ("left", "right"), strict=False)
    magnetos = tuple(magneto_data(name, len(order), lobes, at, stands) for name, at, stands in places)
    sleeves = tuple(draw(couplings(f"sleeve-{m.name}", "sleeve")) for m in magnetos)
    drives = [magneto_train(m, len(order), wheelcase, s.name) for m, s in zip(magnetos, sleeves, strict=True)]
    crank = CrankData(
        bore_mm=bore,
        stroke_mm=stroke,
        rod_length_mm=stroke * draw(st.sampled_from((1.5, 1.8, 2.2))),
        gudgeon_offset_mm=draw(st.sampled_from((0.0, 1.5, -4.0))),
        pin_angles_deg=pins,
    )
    sheet = DataSheet(
        name="Random",
        about="Invented.",
        scene="random",
        rotation=rotation,
        number_one_at=draw(st.sampled_from(("wheelcase end", "output end"))),
        firing_order=order,
        banks=banks,
        crank=crank if kind == "in line" else _with_link_rods(draw, crank, banks),
        inlet=draw(valve_data("inlet", bore)),
        exhaust=draw(valve_data("exhaust", bore)),
        couplings=(*quills, *sleeves),
        trains=(*trains, *drives),
        magnetos=magnetos,
        setup=setup_of(
            [(b.name, f"{b.name}{draw(st.integers(1, b.cylinders))}", draw(st.sampled_from(EVENTS))) for b in banks],
            [(m.name, draw(st.sampled_from(order))) for m in magnetos],
        ),
    )
    # a magneto with even lobes serves link rods whose tops are not too far off
    assume(not magnetos or not list(spark_problems(sheet, place_cylinders(sheet, sigma)[0])))
    return sheet


def engines() -> st.SearchStrategy[Engine]:
    """Valid engines, built."""
    return sheets().map(build)


@st.composite
def _camshaft_trains(
    draw: st.DrawFn, letters: str, quills: Sequence[CouplingData], *, inclined: bool = True
) -> tuple[tuple[TrainData, ...], Fraction]:
    """Trains at exactly half speed, and the wheelcase shaft's turns for the magnetos. All ways of laying."""
    first, lower, upper = draw(st.sampled_from(HALF_SPEED_TRAINS))
    wheelcase = TrainData(drives="wheelcase shaft", from_shaft="crankshaft", stages=(spur(first),))
    way = draw(st.sampled_from(("inclined", "spurs", "internal") if inclined else ("spurs", "internal")))
    made = [wheelcase]
    for letter, quill in zip(letters, quills, strict=True):
        stages: tuple[StageData, ...]
        source = "crankshaft"
        if way == "inclined":
            stages, source = (bevel(lower), through(quill.name), bevel(upper)), "wheelcase shaft"
        elif way == "spurs":
            teeth = draw(st.sampled_from((((20, 30), (30, 40)), ((18, 27), (21, 28)), ((24, 25), (25, 48)))))
            stages = (spur(teeth[0]), through(quill.name), spur(teeth[1]))
        else:
            teeth = draw(st.sampled_from((((20, 30), (30, 40)), ((21, 35), (25, 30)))))
            stages = (spur(teeth[0]), through(quill.name), internal(teeth[1]))
        made.append(TrainData(drives=f"camshaft {letter}", from_shaft=source, stages=stages))
    return tuple(made), Fraction(*first)


def setup_of(camshafts: Sequence[tuple[str, str, str]], magnetos: Sequence[tuple[str, str]]) -> tuple[StepData, ...]:
    """A whole set-up order: (bank, cylinder, event) for each camshaft, (magneto, cylinder) for each magneto."""
    return (
        StepData(do="prepare"),
        *(
            StepData(do="set-camshaft", camshaft=f"camshaft {bank}", cylinder=cylinder, by=by)  # type: ignore[arg-type]
            for bank, cylinder, by in camshafts
        ),
        *(StepData(do="set-magneto", magneto=name, cylinder=cylinder) for name, cylinder in magnetos),
        StepData(do="finish"),
    )


INLET = ValveData(
    kind="inlet",
    opens_deg=345,
    closes_deg=590,
    lift_mm=9.0,
    ramp_mm_per_crank_deg=0.02,
    checking_clearance_mm=0.40,
    running_clearance_mm=0.30,
    room_at_tdc_mm=6.0,
)
EXHAUST = replace(INLET, kind="exhaust", opens_deg=125, closes_deg=375, running_clearance_mm=0.45, law="4-5-6-7")


def in_line_six(rotation: Rotation = "clockwise") -> DataSheet:
    """An in-line six with one camshaft over an inclined shaft from the crank, and one magneto."""
    magneto = magneto_data("single", 6, 2, 685.0, "right")
    return DataSheet(
        name="Test six",
        about="Invented.",
        scene="test-six",
        rotation=rotation,
        number_one_at="output end",
        firing_order=("A1", "A5", "A3", "A6", "A2", "A4"),
        banks=(BankData(name="A", turn_deg=0.0, cylinders=6),),
        crank=CrankData(bore_mm=100.0, stroke_mm=120.0, rod_length_mm=210.0, gudgeon_offset_mm=2.0),
        inlet=INLET,
        exhaust=EXHAUST,
        couplings=(
            CouplingData(name="quill-a", kind="quill", driving_teeth=21, driven_teeth=20, tooth_phase_deg=4.1),
            CouplingData(name="sleeve", kind="sleeve", driving_teeth=12, driven_teeth=13, tooth_phase_deg=-7.7),
        ),
        trains=(
            TrainData(drives="wheelcase shaft", from_shaft="crankshaft", stages=(spur((30, 20)),)),
            TrainData(
                drives="camshaft A",
                from_shaft="wheelcase shaft",
                stages=(bevel((20, 30)), through("quill-a"), bevel((18, 36))),
            ),
            magneto_train(magneto, 6, Fraction(3, 2), "sleeve"),
        ),
        magnetos=(magneto,),
        setup=setup_of([("A", "A1", "inlet opens")], [("single", "A1")]),
    )


def v_eight(rotation: Rotation = "clockwise") -> DataSheet:
    """A V-8 of 90° with four throws at 90°, side-by-side rods, camshafts driven by spur wheels, one magneto."""
    # slots 90° apart; β_A − β_B = −90°, so B fires 90° after its A (clockwise) or 270° after it, modulo a turn
    clockwise = ("A1", "B1", "A4", "B4", "B2", "A3", "B3", "A2")
    anticlockwise = ("A1", "A2", "B3", "A3", "B2", "B4", "A4", "B1")
    magneto = magneto_data("single", 8, 4, 688.0, "left")
    return replace(
        in_line_six(rotation),
        name="Test eight",
        scene="test-eight",
        firing_order=clockwise if rotation == "clockwise" else anticlockwise,
        banks=(BankData(name="A", turn_deg=-45.0, cylinders=4), BankData(name="B", turn_deg=45.0, cylinders=4)),
        crank=CrankData(bore_mm=95.0, stroke_mm=90.0, rod_length_mm=160.0, rods="side-by-side"),
        couplings=(
            CouplingData(name="quill-a", kind="quill", driving_teeth=24, driven_teeth=28, tooth_phase_deg=3.3),
            CouplingData(name="quill-b", kind="quill", driving_teeth=23, driven_teeth=22, tooth_phase_deg=-5.2),
            CouplingData(name="sleeve", kind="sleeve", driving_teeth=11, driven_teeth=12, tooth_phase_deg=9.0),
        ),
        trains=(
            TrainData(drives="wheelcase shaft", from_shaft="crankshaft", stages=(spur((24, 24)),)),
            TrainData(
                drives="camshaft A",
                from_shaft="crankshaft",
                stages=(spur((20, 30)), through("quill-a"), spur((30, 40))),
            ),
            TrainData(
                drives="camshaft B",
                from_shaft="crankshaft",
                stages=(spur((20, 30)), through("quill-b"), spur((30, 40))),
            ),
            magneto_train(magneto, 8, Fraction(1), "sleeve"),
        ),
        magnetos=(magneto,),
        setup=setup_of([("A", "A1", "inlet opens"), ("B", "B1", "exhaust closes")], [("single", "A1")]),
    )


def _fired_first(sheet: DataSheet, data: MagnetoData) -> str:
    return next(iter(fired(sheet, data)), sheet.firing_order[0])


def driven(sheet: DataSheet, magnetos: tuple[MagnetoData, ...], stages: dict[str, tuple[StageData, ...]]) -> DataSheet:
    """The sheet with these magnetos, each by stages of its own from the crankshaft."""
    rotors = {f"{old.name} magneto" for old in sheet.magnetos}
    kept = tuple(train for train in sheet.trains if train.drives not in rotors)
    new = tuple(
        TrainData(drives=f"{data.name} magneto", from_shaft="crankshaft", stages=stages[data.name]) for data in magnetos
    )
    used = {stage.coupling for train in (*kept, *new) for stage in train.stages}
    return replace(
        sheet,
        magnetos=magnetos,
        trains=(*kept, *new),
        couplings=tuple(coupling for coupling in sheet.couplings if coupling.name in used),
        setup=(
            *(job for job in sheet.setup if job.do in ("prepare", "set-camshaft")),
            *(StepData(do="set-magneto", magneto=m.name, cylinder=_fired_first(sheet, m)) for m in magnetos),
            *(job for job in sheet.setup if job.do == "finish"),
        ),
    )


def breaker_at_half_speed() -> Engine:
    """An in-line six whose magneto "left" has its breaker cam on the finger's shaft: six lobes, which give one and a
    half sparks in a turn of the rotor."""
    data = MagnetoData(
        name="left",
        plugs="inlet side",
        break_deg=690.0,
        poles=6,
        e_gap_deg=8.0,
        lobes=6,
        breaker_on="finger",
        dwell_deg=120.0,
        finger_teeth=(15, 60),
    )
    stages = (StageData(kind="spur", driving_teeth=48, driven_teeth=24),)
    return build(driven(in_line_six(), (data,), {"left": stages}))
