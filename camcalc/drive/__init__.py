"""The car behind the engine: gears, road load, converter."""
