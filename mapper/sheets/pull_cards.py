"""The pull order with crops: one card per step with its place on a photo, and a box to tick."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from mapper.pulling import Step
from mapper.routes import RouteMap
from mapper.sheets.card_picture import Shown, place_picture, plate_picture
from mapper.sheets.lettering import fit_text, text_width_mm, wrapped
from mapper.sheets.paper import Frame, box
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.place_photo import PlacePhoto
from mapper.sheets.pull_sheet import CAUTION
from mapper.sheets.scene import Item, Line, Scene, Text
from mapper.sheets.step_places import StepPlace, marks_of

__all__ = [
    "QuestionCard",
    "StepCard",
    "picture_shape",
    "pull_cards",
    "pull_cards_pdf",
]

PER_PAGE, MOST_NOTES = 5, 8
ID_MM, SIZE_MM, STEP_MM = 5.6, 3.2, 4.2
TEXT_SHARE, PLATE_SHARE = 0.33, 0.24  # of the width; the rest is the crop
GAP_MM = 3.0
INK = "#000000"
HOW = (
    "Do the steps from the top and tick each one off at once. A lead that holds: stop, never pull "
    "harder, look again. Two lines run along both sides of the lead of the step; dashed: other "
    "leads (in a question lead B). "
    "over, freed, beside: how the lead of the step lies to the one named; under, open: do not go "
    "past that place."
)


@dataclass(frozen=True)
class StepCard:
    """A step of the plan. `present`: leads and parts that are still in the plate before it,
    `lifted`: those of them that were peeled by then;
    `outlines`: (N, 2) plate mm of a part; `waits`: numbers of the steps that come first."""

    number: int
    step: Step
    act: str
    how: str
    place: StepPlace
    present: frozenset[str]
    waits: tuple[int, ...] = ()
    outlines: tuple[np.ndarray, ...] = ()
    photo: PlacePhoto | None = None
    lifted: frozenset[str] = frozenset()


@dataclass(frozen=True)
class QuestionCard:
    """An open meeting of two leads: somebody has to look before anything goes past it."""

    number: int
    a: str
    b: str
    place: StepPlace
    frees: int
    crossing: bool = True  # two leads that truly cross can't lie side by side
    photo: PlacePhoto | None = None


@dataclass(frozen=True)
class _Cell:
    """Where a card lies on the page: left, low, width, height in mm, and its parts."""

    left: float
    low: float
    wide: float
    high: float
    text: float = field(init=False)
    plate: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", TEXT_SHARE * self.wide)
        object.__setattr__(self, "plate", PLATE_SHARE * self.wide)

    @property
    def crop(self) -> tuple[float, float, float, float]:
        left = self.left + self.text + self.plate + 2 * GAP_MM
        return left, self.low + 1.5, self.left + self.wide - left - 1.5, self.high - 3.0


def _frame(title: str, made_at: datetime, paper: str) -> Frame:
    return Frame(f"Pull order: {title}", made_at, CAUTION, paper)


def picture_shape(paper: str = "A4") -> float:
    """Width by height of the crop of a card."""
    frame = _frame("", datetime.min, paper)
    high = (frame.top_mm - frame.floor_mm) / PER_PAGE - GAP_MM
    _, _, wide, tall = _Cell(0.0, 0.0, frame.inner_mm, high).crop
    return wide / tall


def pull_cards_pdf(
    route_map: RouteMap,
    steps: Sequence[StepCard],
    questions: Sequence[QuestionCard],
    title: str,
    made_at: datetime,
    paper: str = "A4",
    notes: Sequence[str] = (),
) -> bytes:
    """The sheets as PDF; arguments as for `pull_cards`."""
    scenes = pull_cards(route_map, steps, questions, title, made_at, paper, notes)
    return scenes_to_pdf(scenes)


def pull_cards(
    route_map: RouteMap,
    steps: Sequence[StepCard],
    questions: Sequence[QuestionCard],
    title: str,
    made_at: datetime,
    paper: str = "A4",
    notes: Sequence[str] = (),
) -> list[Scene]:
    """Lay the cards out, open questions before the steps, on upright paper.

    `route_map` has the leads (and parts) that the steps name; `notes` are printed first.
    """
    frame = _frame(title, made_at, paper)
    acts = {card.number: f"{card.act} {card.step.wire}" for card in steps}
    intro, y = _intro(frame, notes, bool(steps))
    bodies: list[list[Item]] = [intro]
    high = (frame.top_mm - frame.floor_mm) / PER_PAGE
    for card in (*questions, *steps):
        if y - high < frame.floor_mm - 1e-6:
            bodies.append([])
            y = frame.top_mm
        cell = _Cell(frame.left_mm, y - high + GAP_MM, frame.inner_mm, high - GAP_MM)
        bodies[-1] += _card(route_map, card, acts, cell)
        y -= high
    return frame.pages(bodies)


def _intro(frame: Frame, notes: Sequence[str], any_step: bool) -> tuple[list[Item], float]:
    """Notes and how to read the cards; and where the first card begins."""
    items: list[Item] = []
    y = frame.top_mm
    if not any_step:
        notes = (*notes, "Nothing may be pulled yet.")
    if len(notes) > MOST_NOTES:
        notes = (*notes[: MOST_NOTES - 1], f"And {len(notes) - MOST_NOTES + 1} more warnings.")
    for text, bold in (*((one, True) for one in notes), (HOW, False)):
        for line in wrapped(text, frame.inner_mm, SIZE_MM, bold):
            items.append(Text(frame.left_mm, y - 3.2, line, SIZE_MM, bold=bold))
            y -= STEP_MM
    return items, y - 2.0


def _card(
    route_map: RouteMap, card: StepCard | QuestionCard, acts: Mapping[int, str], cell: _Cell
) -> list[Item]:
    corners = box(cell.left, cell.low, cell.wide, cell.high)
    items: list[Item] = [Line(corners, 0.5, INK, closed=True)]
    plate = (cell.left + cell.text, cell.low + 1.5, cell.plate, cell.high - 3.0)
    if isinstance(card, StepCard):
        words = _step_words(route_map, card, acts)
        wires, marks = (card.step.wire,), marks_of(route_map, card.step, card.present, card.lifted)
        others = sorted(card.present - {card.step.wire})
        at_mm = None if card.step.past is None else np.asarray(card.step.past)
        shown = Shown(wires, tuple(others), marks, card.outlines, True, at_mm)
    else:
        words = _question_words(card)
        wires = tuple(dict.fromkeys((card.a, card.b)))
        shown = Shown(wires, (), (), (), False, None)
    items += _words(card, words, cell)
    items += plate_picture(route_map, shown, card.place, plate)
    return items + place_picture(route_map, shown, card.place, card.photo, cell.crop)


def _step_words(route_map: RouteMap, card: StepCard, acts: Mapping[int, str]) -> list[str]:
    marks = marks_of(route_map, card.step, card.present, card.lifted)
    # what comes first stands first, where no long name can push it off the card
    words = ["Waits for no other step"]
    if card.waits:
        first = "; ".join(f"{number} ({acts.get(number, 'step')})" for number in card.waits)
        words = [f"Waits for step {first}"]
    words.append(card.how)
    for word, said in (("over", "Lies over"), ("freed", "Freed before")):
        names = sorted({one.other for one in marks if one.word == word})
        if names:
            words.append(f"{said}: {', '.join(names)}")
    return words


def _question_words(card: QuestionCard) -> list[str]:
    words = []
    if card.a == card.b:
        words.append("A: the pass nearer its drop; B: the pass nearer its free end")
    words.append(f"at ({card.place.x_mm:.0f}, {card.place.y_mm:.0f}) mm: which lies on top?")
    words.append(f"The answer may free {card.frees}" if card.frees else "Frees none on its own")
    return words


def _words(card: StepCard | QuestionCard, words: Sequence[str], cell: _Cell) -> list[Item]:
    """The text of a card: box to tick, number and lead large, the rest below; what does not fit
    is told by an ellipsis."""
    left, wide = cell.left + 2.0, cell.text - 4.0
    y = cell.low + cell.high - 2.0
    step = isinstance(card, StepCard)
    items: list[Item] = []
    if step:
        items.append(Line(box(left, y - 7.0, 7.0, 7.0), 0.6, INK, closed=True))
        items.append(Text(left + 9.0, y - 5.4, f"{card.number}. {card.act}", 4.6, bold=True))
        name, y = card.step.wire, y - 8.0
    else:
        items.append(Text(left, y - 4.4, f"Open question {card.number}", 4.6, bold=True))
        both = f"A {card.a}, B {card.b}"
        name, y = both if card.a != card.b else f"{card.a} meets itself", y - 5.6
    size = max(3.4, min(ID_MM if step else 4.4, 5.6 * wide / text_width_mm(name, 5.6, bold=True)))
    for line in wrapped(name, wide, size, bold=True)[:2]:
        items.append(Text(left, y - size, line, size, bold=True))
        y -= 1.2 * size
    answers = () if step else ("A on top", "B on top", "can't tell")
    if not step and not card.crossing:
        answers = ("A on top", "B on top", "side by side", "can't tell")
    floor = cell.low + 2.0 + 5.4 * ((len(answers) + 1) // 2)
    y -= 1.0
    lines = [line for text in words for line in wrapped(text, wide, SIZE_MM)]
    fit = max(1, int((y - floor) / STEP_MM))
    if len(lines) > fit:
        lines = [*lines[: fit - 1], f"{lines[fit - 1]} …"]
    for line in lines:
        items.append(Text(left, y - 3.2, fit_text(line, wide, SIZE_MM), SIZE_MM))
        y -= STEP_MM
    for k, text in enumerate(answers):
        x, low = left + (k % 2) * wide / 2, floor - 5.4 * (k // 2 + 1)
        items.append(Line(box(x, low, 4.2, 4.2), 0.5, INK, closed=True))
        items.append(Text(x + 5.4, low + 1.0, text, SIZE_MM))
    return items
