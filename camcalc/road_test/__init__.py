"""How would I find out: a short test, standing and driven, that settles the inputs that matter most."""

from .plan import RoadTest, TestStep, plan_road_test

__all__ = ["RoadTest", "TestStep", "plan_road_test"]
