"""How would I find out: a short test whose readings settle the inputs that matter most and are known least."""

from .plan import Basis, NotTested, NotTestedBecause, RoadTest, Settling, TestStep, plan_road_test
from .readings import Ground, ReadingKind

__all__ = ["Basis", "Ground", "NotTested", "NotTestedBecause", "ReadingKind", "RoadTest", "Settling", "TestStep", "plan_road_test"]
