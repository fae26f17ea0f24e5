"""Free flames of diluted charges, computed from chemistry by Cantera; run as a module, it makes the package's table of them.

From the repository root: ``python -m tests.oracles.diluted_flame``. It takes some twenty minutes of one core.

A flat flame runs freely through a stoichiometric mixture of fuel, air and complete products of the same mixture, all at one temperature. Nothing
radiates and nothing stretches the flame. GRI-Mech 3.0 is made for natural gas and has propane as its heaviest fuel; only the ratio to the flame
of the undiluted charge is taken over to gasoline, and methane and ethane beside propane tell how much that ratio hangs on the fuel.
"""

from __future__ import annotations

import csv
import datetime
import io
import itertools
from pathlib import Path
from typing import NamedTuple

import cantera as ct

from camcalc.burn import flame

MECHANISM, TRANSPORT = "gri30.yaml", "mixture-averaged"
REFINEMENT = {"ratio": 3.0, "slope": 0.08, "curve": 0.15}
AIR_NITROGEN = 3.76
PRESSURES, TEMPERATURES = (2.0, 4.0, 8.0, 16.0), (500.0, 600.0, 700.0, 800.0, 900.0)
DILUTIONS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6)
FUEL, OTHER_FUELS, OTHERS_AT = "C3H8", ("CH4", "C2H6"), (8.0, 700.0)
COLUMNS = ("fuel", "pressure_bar", "unburned_K", "burned_mass_fraction", "flame_speed_m_s", "flame_temperature_K", "thermal_thickness_mm", "points")


class Flame(NamedTuple):
    """One free flame: speed [m/s], temperature behind it [K], thickness of the temperature rise [m], points of the grid."""

    speed: float
    temperature: float
    thickness: float
    points: int


def free_flame(fuel: str, pressure: float, temperature: float, burned: float, refinement: dict[str, float] = REFINEMENT) -> Flame:
    """Return the free flame of a stoichiometric charge; pressure bar, unburned temperature K, complete products by mass."""
    gas = ct.Solution(MECHANISM)
    carbon, hydrogen = gas.n_atoms(fuel, "C"), gas.n_atoms(fuel, "H")
    oxygen = carbon + hydrogen / 4.0
    gas.X = {fuel: 1.0, "O2": oxygen, "N2": AIR_NITROGEN * oxygen}
    fresh = gas.Y
    gas.X = {"CO2": carbon, "H2O": hydrogen / 2.0, "N2": AIR_NITROGEN * oxygen}
    gas.TPY = temperature, pressure * 1e5, (1.0 - burned) * fresh + burned * gas.Y
    found = ct.FreeFlame(gas, width=0.02)
    found.transport_model = TRANSPORT
    found.set_refine_criteria(**refinement)
    found.solve(loglevel=0, auto=True)
    rises = [(b - a) / (y - x) for (a, b), (x, y) in zip(itertools.pairwise(found.T), itertools.pairwise(found.grid), strict=True)]
    return Flame(float(found.velocity[0]), float(found.T[-1]), float((found.T[-1] - temperature) / max(rises)), len(found.grid))


def line(fuel: str, pressure: float, temperature: float, burned: float) -> list[str]:
    """Return one line of the table."""
    found = free_flame(fuel, pressure, temperature, burned)
    state = [f"{pressure:g}", f"{temperature:g}", f"{burned:g}"]
    return [fuel, *state, f"{found.speed:.5g}", f"{found.temperature:.1f}", f"{1e3 * found.thickness:.4g}", str(found.points)]


def header(day: str, version: str = ct.__version__) -> str:
    """Return what the table says of its making."""
    said = (
        "Flat free flames of stoichiometric charges diluted with complete products of the same mixture, all at the unburned temperature.",
        f"Computed on {day} with Cantera {version} by tests/oracles/diluted_flame.py.",
        f"Mechanism GRI-Mech 3.0 ({MECHANISM} of Cantera), transport {TRANSPORT}, neither radiation nor stretch.",
        "Refinement: " + ", ".join(f"{name} {value:g}" for name, value in REFINEMENT.items()) + f". Air: O2 + {AIR_NITROGEN:g} N2.",
        "The package uses propane; the other fuels show how much the ratio to the undiluted flame hangs on the fuel.",
    )
    return "".join(f"# {sentence}\n" for sentence in said)


def states() -> list[tuple[str, float, float, float]]:
    """Return the states of the table: fuel, pressure [bar], temperature [K], burned gas by mass."""
    own = [(FUEL, *state) for state in itertools.product(PRESSURES, TEMPERATURES, DILUTIONS)]
    return own + [(fuel, *OTHERS_AT, x) for fuel, x in itertools.product(OTHER_FUELS, DILUTIONS)]


def main() -> None:
    """Compute all flames and write the table."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for state in states():
        row = line(*state)
        print(",".join(row), flush=True)
        writer.writerow(row)
    today = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    Path(flame.__file__).with_name("dilution.csv").write_text(header(today) + text.getvalue(), encoding="utf-8")


if __name__ == "__main__":
    main()
