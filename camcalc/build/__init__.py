"""The build sheet: what the engine, the car and the site are, read from TOML, checked, and written back."""

from .reading import load_build, read_build
from .saving import save_build
from .sheet import Build

__all__ = ["Build", "load_build", "read_build", "save_build"]
