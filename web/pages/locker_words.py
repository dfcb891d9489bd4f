"""Ids of the kit list on pages of the locker, in the words of the outfit's own kit lists."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from api.journal.kinds import Answer
from api.kitlist import service as kitlist
from api.kitlist.schemas import Edition, Question
from api.locker.rules import CRAMPON_TO_BOOT
from web import words

TRAIT_WORDS = {CRAMPON_TO_BOOT.trait: "Binding of the crampons"}


@dataclass(frozen=True, slots=True)
class Facts:
    """What a thing is for and what is known of it, in words."""

    meets: tuple[str, ...]
    answers: tuple[tuple[str, str], ...]
    """Each question as people are asked it, with its answer."""
    traits: tuple[tuple[str, str], ...]


def facts(
    conn: Connection,
    outfit: str,
    meets: Iterable[str],
    answers: Mapping[str, Answer],
    traits: Mapping[str, str],
) -> Facts:
    """In the words of the newest kit list that knows them; an id that none knows stays, and says so."""
    items: dict[str, str] = {}
    questions: dict[str, Question] = {}
    wanted, asked = tuple(meets), set(answers)
    for edition in _newest_first(conn, outfit):
        for requirement in edition.requirements:
            if requirement.id in wanted and requirement.id not in items:
                items[requirement.id] = requirement.item
                for question in requirement.questions:
                    questions.setdefault(question.id, question)
        if set(wanted) <= set(items) and asked <= set(questions):
            break
    return Facts(
        meets=tuple(items.get(id_, f"{id_} (in no kit list)") for id_ in wanted),
        answers=tuple(_answered(questions.get(id_), id_, answer) for id_, answer in answers.items()),
        traits=tuple((TRAIT_WORDS.get(name, name), value.upper()) for name, value in traits.items()),
    )


def _newest_first(conn: Connection, outfit: str) -> Iterator[Edition]:
    rows = sorted(kitlist.list_editions(conn, outfit), key=lambda row: row.changed_at, reverse=True)
    for row in rows:
        yield kitlist.get_edition(conn, outfit, row.id)


def _answered(question: Question | None, id_: str, answer: Answer) -> tuple[str, str]:
    asked = question.ask if question is not None else f"{id_} (asked in no kit list)"
    return asked, answer_words(question, answer)


def answer_words(question: Question | None, answer: Answer) -> str:
    """An answer as people give it: the label of a choice, yes or no, a figure with its unit, a day."""
    if isinstance(answer, bool):
        return "yes" if answer else "no"
    if isinstance(answer, float):
        unit = question.unit if question is not None and question.unit not in (None, "1") else ""
        return f"{words.plain_number(answer)} {unit}".strip()
    if question is not None and question.kind == "date":
        return words.long_date(date.fromisoformat(answer))
    labels = {choice.id: choice.label for choice in question.choices} if question is not None else {}
    return labels.get(answer, answer)
