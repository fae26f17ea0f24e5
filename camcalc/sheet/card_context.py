"""What reading any part of a cam card needs: where it stands, what was found wrong, assumed and noted on the way."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from ..cam.figures import Disagreement
from ..errors import InputError
from ..units import Bounds, half_last_digit, to_si
from .printed_figures import Printed, unit_factor

if TYPE_CHECKING:
    from .section_reading import Problems

__all__ = ["CardContext"]

T = TypeVar("T")


class CardContext:
    """A card being read: its section's name and data, problems and assumptions to add to, notes of its own."""

    def __init__(self, name: str, data: Mapping[str, Any], problems: Problems, assumed: list[Any], path: Path | None) -> None:
        self.name, self.data, self.problems, self.assumed, self.path = name, data, problems, assumed, path
        self.notes: list[str] = []

    def key(self, key: str, kind: str = "") -> str:
        """Return a key as errors name it."""
        return f"[{self.name}.{kind}] {key}" if kind else f"[{self.name}] {key}"

    def assume(self, key: str, value: str, why: str) -> None:
        """List a default that was taken."""
        from .sheet import Assumption

        self.assumed.append(Assumption(key, value, why))

    def attempt(self, read: Callable[..., T], *arguments: Any) -> T | None:
        """Return what a reading gives, or nothing, with its error among the problems."""
        try:
            return read(*arguments)
        except InputError as error:
            self.problems.add(error)
            return None

    def printed(self, value: Any, key: str, bounds: Bounds) -> Printed:
        """Return a figure with the rounding of what is printed."""
        number = float(to_si(value, key, bounds))
        return Printed(number, half_last_digit(value) * unit_factor(value, bounds.unit) if isinstance(value, str) else 0.0)

    def disagree(self, name: str, gap: Disagreement, against: str) -> None:
        """Note a contradiction within a slip of rounding, or add it to the problems."""
        scale = 0.5 if name == "lobe_separation" else 1.0
        unit = "cam_deg" if name == "lobe_separation" else "crank_deg"
        printed, implied = f"{gap.printed * scale:.2f} {unit}", f"{gap.implied * scale:.2f} {unit}"
        if gap.is_error:
            self.problems.add(InputError(self.key(name), came=printed, expected=f"{implied}, {against}", fix="one of these figures is wrong: check the card"))
        else:
            self.notes.append(f"[{self.name}] {name}: the card prints {printed}, {against} give {implied}; within a slip of rounding, the latter is used")
