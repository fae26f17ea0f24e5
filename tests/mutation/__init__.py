"""Small faults put into copies of the physics, one at a time, to see whether the tests notice."""

# Faults that change no figure anyone sees: file, what stands there, what would, and why nothing changes.
EQUIVALENT: tuple[tuple[str, str, str, str], ...] = ()
