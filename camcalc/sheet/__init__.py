"""The build sheet: what the engine, the car and the site are, read from TOML, checked, and written back."""

from .reading import load_build, load_cam, read_build
from .saving import save_build
from .sheet import Build, CamSheet

__all__ = ["Build", "CamSheet", "load_build", "load_cam", "read_build", "save_build"]
