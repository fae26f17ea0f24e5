"""The car: road load, driveline, torque converter, and how its accelerations feel."""
