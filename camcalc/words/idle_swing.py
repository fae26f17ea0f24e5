"""The idle's own swing in words: whether speed cycles by itself with a held throttle."""

from __future__ import annotations

from ..drive.idle_swing import IdleHunting, IdleSwing
from .describing import describe
from .phrases import rpm

__all__ = ["idle_swing_words"]

SENTENCES = {
    IdleHunting.HUNTS: "Hunting idle at {}, neutral, throttle held. Keep spark reserve for the idle control: it must hold the speed.",
    IdleHunting.HUNTS_LONG: "Idle at {}, neutral, throttle held: hunts long after each disturbance. Keep spark reserve for the idle control.",
    IdleHunting.SETTLES: "Idle at {}, neutral, throttle held: settles without an idle control.",
    IdleHunting.NO_SWING: "Idle at {}, neutral, throttle held: no swing of speed.",
    IdleHunting.NO_ANSWER: "Idle at {}, neutral, throttle held: no answer. Cycles cease to settle close by.",
}


@describe.register
def idle_swing_words(swing: IdleSwing) -> str:
    """Return whether an idle hunts, and what to do about it.

    Parameters
    ----------
    swing : IdleSwing

    Returns
    -------
    str

    Examples
    --------
    >>> idle_swing_words(IdleSwing(hunting=IdleHunting.SETTLES, speed=15.0, frequency=1.1, damping=0.3))
    'Idle at 900 rpm, neutral, throttle held: settles without an idle control. Damping ratio 0.30 at 1.1 Hz.'
    """
    words = SENTENCES[swing.hunting].format(rpm(swing.si.speed))
    if swing.hunting in (IdleHunting.NO_SWING, IdleHunting.NO_ANSWER):
        return words
    return f"{words} Damping ratio {swing.si.damping:.2f} at {swing.si.frequency:.1f} Hz."
