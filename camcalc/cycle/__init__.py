"""One operating point of the engine: what is trapped, what burns, what torque it makes."""
