"""What an engine sounds and a car feels like: firings of a run over time as pulses in a pipe, at one level, with the figures beside."""

from .cases import DriveCase, DrivenOn, HeardBuild, IdleCase, Shares, Slider, hear_build
from .firings import Firings, even_firings, firings_of
from .hearing import HeardDrive, HeardIdle, Lines, hear_drive, hear_idle
from .sounds import Sound, sound_of

__all__ = [
    "DriveCase", "DrivenOn", "Firings", "HeardBuild", "HeardDrive", "HeardIdle", "IdleCase", "Lines", "Shares", "Slider", "Sound", "even_firings",
    "firings_of", "hear_build", "hear_drive", "hear_idle", "sound_of",
]  # fmt: skip
