"""Choose: the largest cam whose manners a car can stand, what each degree costs, and cards of a list ranked by the same wants."""

from .cards import CardFamily, read_cards
from .choosing import choose_cam
from .ranking import rank_cards
from .records import CamFigures, ChosenCam, KeptWant, RankedCard, RankedCards
from .wants import Want, read_wanted

__all__ = [
    "CamFigures", "CardFamily", "ChosenCam", "KeptWant", "RankedCard", "RankedCards", "Want", "choose_cam", "rank_cards", "read_cards", "read_wanted",
]  # fmt: skip
