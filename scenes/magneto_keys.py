"""Keys of ``[[magnetos]]``: poles, points, the distributor finger, and when the points break."""

from __future__ import annotations

from typing import Literal, get_args

from quillwise.kinematics.lengths import LengthUnit
from quillwise.scenes.fields import (
    Choice,
    Event,
    Keys,
    Length,
    Maybe,
    Number,
    Table,
    Text,
    Values,
    Whole,
)
from quillwise.scenes.places import Place, shown

Side = Literal["left", "right"]
LEVER_ENDS = ("full advance", "full retard")
EARLIEST_BREAK_DEG, LATEST_BREAK_DEG = 630.0, 750.0  # own angles of 90 BTDC and 30 ATDC


class Fired(Values[str]):
    """Banks and cylinders, or the word for all of them."""

    def allowed(self, unit: LengthUnit = "mm") -> str:
        return f'{super().allowed(unit)}, or "all"'

    def read(self, value: object, place: Place) -> tuple[str, ...]:
        return () if value == "all" else super().read(value, place)


class FingerKeys(Keys):
    """finger = {…}: pinion on the rotor, wheel on the distributor finger."""

    rules = "The finger turns at half the crankshaft's speed."

    pinion = Whole(8, 400).means("teeth on the magneto rotor", "20")
    wheel = Whole(8, 400).means("teeth on the distributor finger's shaft", "60")


class MagnetoKeys(Keys):
    """[[magnetos]]"""

    rules = (
        "A polar inductor has `sparks_per_turn` in place of `poles`; either is even. The E-gap is less than 360 "
        "degrees over the poles, the dwell less than 360 over the lobes; points break from 90 BTDC to 30 ATDC; "
        "`open_ohm` is more than `closed_ohm`. Its cam is lobed evenly, so the cylinders that it fires come to their "
        "own tops within 5 crank degrees of even places (a limit of this program, without a source). Where the points "
        "break another number of times in a turn than the magnetism gives sparks, `validate` says so."
    )

    name = Text().means('name of the magneto; the shaft of its rotor is "<name> magneto"', '"exhaust-side"')
    plugs = Text().means("which plugs it fires, in words", '"exhaust side"')
    points_break = Event("points break").means("where its points break, of the cylinder that it fires", '"41 BTDC"')
    timed_at = Choice(LEVER_ENDS, default="full advance").means(
        "position of the advance lever at which points_break holds", '"full advance"'
    )
    advance_range_deg = Number(0, 60, default=0.0).means("crank degrees from full retard to full advance", "20")
    fires = Maybe(Fired(Text(8), 1, 64)).means(
        "banks and cylinders that it fires, at even intervals; left out, all of them", '["A"]'
    )
    impulse_lag_deg = Number(0, 60, default=0.0).means(
        "crank degrees by which its impulse starter holds the spark back; 0 without one", "25"
    )
    trailing_electrode_deg = Number(0, 60, default=0.0).means(
        "how far the finger's second electrode, of a booster coil, trails the first, in degrees of the finger", "20"
    )
    kind = Choice[Literal["rotating magnet", "polar inductor"]](
        ("rotating magnet", "polar inductor"), default="rotating magnet"
    ).means("whether magnets turn, or soft iron between magnets that stand", '"polar inductor"')
    poles = Maybe(Whole(2, 16)).means("poles of the magneto rotor, of a rotating magnet", "4")
    sparks_per_turn = Maybe(Whole(2, 16)).means(
        "sparks that the magnetism gives in a turn of the rotor, of a polar inductor", "4"
    )
    breaker_on = Choice[Literal["rotor", "finger"]](("rotor", "finger"), default="rotor").means(
        "shaft that bears the breaker cam: the magneto rotor's, or the finger's at half crank speed", '"rotor"'
    )
    e_gap_magneto_rotor_deg = Number(0, 90).means(
        "from neutral to the points' break (the E-gap), in degrees of the rotor", "11"
    )
    lobes = Maybe(Whole(1, 24)).means(
        "lobes of the breaker cam, that is sparks in a turn of its shaft; left out, one a pole that passes", "4"
    )
    dwell_magneto_rotor_deg = Maybe(Number(1, 359)).means(
        "how long the points are closed, in degrees of the rotor; left out, 0.55 of a lobe", "50"
    )
    points_gap = Length(0.1, 1.5, default=0.30).means("gap of the open points", "0.30")
    closed_ohm = Number(0, 100, default=0.07).means(
        "resistance across the points when closed, as the meter shows it", "0.07"
    )
    open_ohm = Number(0, 1000, default=0.30).means(
        "resistance across the points when open (the primary winding)", "0.30"
    )
    finger = Table(FingerKeys).means("gears from the rotor to the distributor finger")
    finger_width_deg = Number(1, 120, default=14.0).means("width of the finger's electrode", "14")
    segment_width_deg = Number(1, 120, default=16.0).means("width of a segment", "16")
    stands = Maybe(Choice[Side](get_args(Side))).means(
        "side on which it stands, seen from [layout] seen_from; left out, left and right by turns", '"left"'
    )

    def check(self) -> None:
        raw = self.raw
        if self.known("points_break") and not EARLIEST_BREAK_DEG <= self.points_break <= LATEST_BREAK_DEG:
            self.wrong("points_break", f"expected from 90 BTDC to 30 ATDC, got {shown(raw['points_break'])}")
        self._check_poles()
        on_rotor = self.known("breaker_on") and self.breaker_on == "rotor"
        if on_rotor and self.lobe_count and self.known("dwell_magneto_rotor_deg") and self.dwell_magneto_rotor_deg:
            self._below("dwell_magneto_rotor_deg", 360 / self.lobe_count, f"360 degrees over {self.lobe_count} lobes")
        if self.known("closed_ohm", "open_ohm") and self.open_ohm <= self.closed_ohm:
            key = "open_ohm" if "open_ohm" in raw else "closed_ohm"
            more, less = (
                f"more than closed_ohm, {self.closed_ohm:g}",
                f"less than open_ohm, {self.open_ohm:g}",
            )
            words = more if key == "open_ohm" else less
            self.wrong(key, f"expected {words}, got {shown(raw[key])}")

    def _check_poles(self) -> None:
        if not self.known("kind"):
            return
        key, other = ("poles", "sparks_per_turn") if self.kind == "rotating magnet" else ("sparks_per_turn", "poles")
        if other in self.raw:
            self.wrong(other, f'expected {key} in its place beside kind = "{self.kind}", got {shown(self.raw[other])}')
        count = self.values.get(key)
        if key not in self.raw and not self.has_unknown_keys:
            self.wrong(key, self.fields()[key].missing(self.place.at(key)))
        if count is None:
            return
        if count % 2:
            self.wrong(key, f"expected an even number, got {count}")
        elif self.known("e_gap_magneto_rotor_deg"):
            words = "poles" if key == "poles" else "sparks a turn"
            self._below("e_gap_magneto_rotor_deg", 360 / count, f"360 degrees over {count} {words}")

    @property
    def lobe_count(self) -> int | None:
        """Lobes given, or one a pole; None if the key that says it is wrong."""
        key = "lobes" if "lobes" in self.raw else "poles" if "poles" in self.raw else "sparks_per_turn"
        count: int | None = self.values.get(key)
        return count

    def _below(self, key: str, limit_deg: float, words: str) -> None:
        if self.values[key] >= limit_deg:
            self.wrong(key, f"expected less than {limit_deg:g} ({words}), got {shown(self.raw[key])}")
