"""The engine as hardware: crank geometry, gases, valve flow, friction, the air it stands in."""
