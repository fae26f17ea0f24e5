"""Independent solvers used only to check the package; nothing in here imports it."""
