"""Where each quantity stands: in the state that is integrated over the crank, and among the unknowns that settle from cycle to cycle."""

from __future__ import annotations

import enum

__all__ = ["INDEX", "PLENUM", "STATES", "SUMS", "TOTAL", "UNKNOWNS", "ExhaustKind", "IntakeKind", "State", "Sum", "Unknown"]


class State(enum.IntEnum):
    """The state of the volumes: masses [kg], temperatures [K], burned gas as mass [kg] or, in the exhaust port, as fraction."""

    CYLINDER_MASS = 0
    CYLINDER_TEMPERATURE = 1
    CYLINDER_BURNED = 2
    # Intake port and runner; the flow [kg/s] from plenum into the runner has inertia.
    RUNNER_MASS = 3
    RUNNER_TEMPERATURE = 4
    RUNNER_BURNED = 5
    RUNNER_FLOW = 6
    # Exhaust port, at constant pressure.
    PORT_TEMPERATURE = 7
    PORT_FRACTION = 8
    # Plenum (rippling form), or the slug that was blown back (held form).
    PLENUM_MASS = 9
    PLENUM_TEMPERATURE = 10
    PLENUM_BURNED = 11


STATES = len(State)
# The plenum's own state, or the slug's.
PLENUM = slice(State.PLENUM_MASS, State.PLENUM_BURNED + 1)


class Sum(enum.IntEnum):
    """Sums over the crank that the result needs, behind the state: work and heats [J], masses [kg], ``in`` and ``out`` forwards, ``back`` against it."""

    WORK = STATES
    INTAKE_IN = STATES + 1
    INTAKE_BACK = STATES + 2
    INTAKE_IN_BURNED = STATES + 3
    INTAKE_BACK_BURNED = STATES + 4
    EXHAUST_OUT = STATES + 5
    EXHAUST_BACK = STATES + 6
    EXHAUST_OUT_BURNED = STATES + 7
    EXHAUST_BACK_BURNED = STATES + 8
    RUNNER_IN = STATES + 9
    RUNNER_BACK = STATES + 10
    RUNNER_BACK_BURNED = STATES + 11
    RUNNER_IN_HEAT = STATES + 12
    RUNNER_BACK_HEAT = STATES + 13
    COLLECTOR_OUT = STATES + 14
    COLLECTOR_BACK = STATES + 15
    COLLECTOR_OUT_BURNED = STATES + 16
    COLLECTOR_OUT_HEAT = STATES + 17
    CYLINDER_HEAT = STATES + 18
    RUNNER_HEAT = STATES + 19
    PORT_HEAT = STATES + 20
    MADE_BURNED = STATES + 21
    RUNNER_IN_BURNED = STATES + 22
    INTAKE_HEAT = STATES + 23
    # What the plenum gives its walls, this cylinder's share: heat [J], and heat for each kelvin that it is hotter than they are [J/K].
    PLENUM_HEAT = STATES + 24
    PLENUM_CONDUCTANCE = STATES + 25


SUMS = tuple(one.name.lower() for one in Sum)
INDEX = {one.name.lower(): int(one) for one in Sum}
TOTAL = STATES + len(Sum)


class Unknown(enum.IntEnum):
    """What must come back after a cycle, at intake closing: masses [kg], temperatures [K], burned fractions, a flow [kg/s], mean pressures [Pa]."""

    CYLINDER_MASS = 0
    CYLINDER_TEMPERATURE = 1
    CYLINDER_FRACTION = 2
    RUNNER_MASS = 3
    RUNNER_TEMPERATURE = 4
    RUNNER_FRACTION = 5
    RUNNER_FLOW = 6
    PORT_TEMPERATURE = 7
    PORT_FRACTION = 8
    PLENUM_TEMPERATURE = 9
    PLENUM_FRACTION = 10
    COLLECTOR_TEMPERATURE = 11
    COLLECTOR_FRACTION = 12
    EXHAUST_PRESSURE = 13
    PLENUM_PRESSURE = 14


UNKNOWNS = len(Unknown)
# Those that grow with manifold pressure.
WITH_PRESSURE = [Unknown.CYLINDER_MASS, Unknown.RUNNER_MASS, Unknown.PLENUM_PRESSURE]


class IntakeKind(enum.IntEnum):
    """What stands before the intake valve: two plenums with runners, and two limiting forms that others can reproduce."""

    PLENUM = 0  # a runner on a plenum at constant pressure: the default
    RIPPLING = 1  # a runner on a plenum that breathes with the cylinders
    LOST = 2  # a reservoir of fresh charge; what is blown back vanishes
    HELD = 3  # the same reservoir; what is blown back is held as a slug and drawn in first


class ExhaustKind(enum.IntEnum):
    """What stands behind the exhaust valve."""

    PORT = 0  # a port at constant pressure before a collector
    RESERVOIR = 1  # a reservoir that does not change: with the limiting forms of the intake
