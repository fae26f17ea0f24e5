"""What a card may have in the wrong place: lobe separation and centreline swapped, an advertised duration at the wrong height."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from ..cam.card import FLANK_HEIGHT, SEAT_EXCESS, SEAT_HEIGHT, CheckedHeight, Lobe, with_assumed_seat
from ..cam.figures import Centrelines, Figure, solve_centrelines
from ..errors import InputError
from .sheet import Doubt

if TYPE_CHECKING:
    from .card_context import CardContext

__all__ = ["check_spread", "swapped_centreline"]

# Longest duration at the seat of a street cam, and the one above which a card with a single height is doubted [crank deg]: 240 to 310 is
# common practice, no source. A card that gives both heights is taken at its word.
LONGEST_SEAT, DOUBTED_SEAT = 320.0, 296.0
# How much a lobe may lose between its seat and 0.050 inch, over the usual; ESTIMATE, wide on purpose.
LEAST_SPREAD, MOST_SPREAD = 0.35, 2.6
# Heights at the tappet that count as the flank, where durations are compared [m].
FLANK = (0.8e-3, 2.0e-3)


def swapped_centreline(card: CardContext, figures: Sequence[Figure], solved: Centrelines) -> None:
    """Refuse a lobe separation and an intake centreline that only fit the rest of the card when swapped; doubt a pair that nothing else decides."""
    printed = {f.name: f.value for f in figures}
    if not {"lobe_separation", "intake_centreline"} <= printed.keys():
        return
    separation, centreline = printed["lobe_separation"] / 2.0, printed["intake_centreline"]
    values = {"lobe_separation": 2.0 * centreline, "intake_centreline": separation}
    given = f"lobe_separation {separation:g} cam_deg with intake_centreline {centreline:g} crank_deg"
    meant = f'lobe_separation = "{centreline:g} cam_deg", intake_centreline = "{separation:g} crank_deg"'
    if any(gap.is_error for gap in solved.disagreements):
        other = solve_centrelines([f._replace(value=values.get(f.name, f.value)) for f in figures])
        if other is not None and not any(gap.is_error for gap in other.disagreements):
            rest = ", ".join(f.name for f in figures if f.name not in values)
            raise InputError(
                card.key("lobe_separation"), came=f"{given}, against {rest}", expected=f"{meant}: swapped, they agree with it", fix=f"type {meant}"
            )
    elif len(figures) == 2 and centreline > separation:
        less = 2.0 * (centreline - separation)
        card.notes.append(
            Doubt(
                f"[{card.name}] {given}: read as a cam installed {centreline - separation:g} crank_deg late. If the card has the two the other way "
                f"round, type {meant}: {centreline - separation:g} crank_deg early, and {less:g} crank_deg less overlap"
            )
        )


def check_spread(card: CardContext, lobe: Lobe, tappet: str, labels: Mapping[float, str]) -> None:
    """Refuse or doubt a duration that seems to stand at the height of another: an advertised one at 0.050 inch.

    Parameters
    ----------
    card : CardContext
        Takes the doubt or raises the error under the card's own keys.
    lobe : Lobe
    tappet : str
        "hydraulic" or "solid".
    labels : mapping of float to str
        Checking heights [m] as the card writes them.
    """
    checks = sorted(with_assumed_seat(lobe, tappet), key=lobe.tappet_height)
    seat = checks[0]
    if seat.assumed:
        _check_single(card, lobe, seat, checks[1], labels)
        return
    for flank in checks[1:]:
        if lobe.tappet_height(seat) <= SEAT_HEIGHT and FLANK[0] <= lobe.tappet_height(flank) <= FLANK[1]:
            _check_pair(card, lobe, tappet, (seat, flank), labels)


def _check_single(card: CardContext, lobe: Lobe, seat: CheckedHeight, lowest: CheckedHeight, labels: Mapping[float, str]) -> None:
    label, own = labels[round(lowest.si.height, 9)], f"{lowest.duration:.4g} crank_deg"
    where = card.key(f'duration."{label}"', lobe.kind)
    if seat.duration > LONGEST_SEAT:
        most = lowest.duration + LONGEST_SEAT - seat.duration
        raise InputError(
            where,
            came=f"{own} at {label}, and no figure near the seat",
            expected=f"up to {most:.0f} crank_deg there: as typed, the valve would be open for some {seat.duration:.0f} crank_deg at 0.006 inch",
            fix=f'if it is the advertised duration, type "0.006 inch" = "{own}" (the height it is advertised at), and the one at {label} beside it',
        )
    if seat.duration > DOUBTED_SEAT:
        read = f"read as {own} at {label}, so some {seat.duration:.0f} crank_deg at 0.006 inch"
        card.notes.append(Doubt(f'{where}: {read}. If it is the advertised duration, type "0.006 inch" = "{own}"; if not, add the advertised one too'))


def _check_pair(card: CardContext, lobe: Lobe, tappet: str, pair: tuple[CheckedHeight, CheckedHeight], labels: Mapping[float, str]) -> None:
    seat, flank = pair
    low, high = (lobe.tappet_height(c) for c in pair)
    # The usual excess belongs to 0.006 against 0.050 inch; between other heights it is stretched in proportion.
    usual = SEAT_EXCESS[tappet] * (high - low) / (FLANK_HEIGHT - 0.006 * 0.0254)
    spread = seat.duration - flank.duration
    if LEAST_SPREAD * usual <= spread <= MOST_SPREAD * usual:
        return
    names = [labels[round(c.si.height, 9)] for c in pair]
    shorter = spread < LEAST_SPREAD * usual
    raise InputError(
        card.key(f'duration."{names[1]}"', lobe.kind),
        came=f"{flank.duration:.4g} crank_deg at {names[1]}, {spread:.4g} less than the {seat.duration:.4g} at {names[0]}",
        expected=f"{LEAST_SPREAD * usual:.0f} to {MOST_SPREAD * usual:.0f} crank_deg between these heights; usual is {usual:.0f}",
        fix=f"an advertised duration may stand at {names[1]}: check the card" if shorter else f"a duration may stand at the wrong height: check {names[1]}",
    )
