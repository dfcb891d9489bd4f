"""A call in other people's programs: a satellite messenger's 160 characters, and a calendar. Pure."""

import unicodedata
from collections.abc import Iterable
from datetime import datetime, timedelta

import icalendar

from api.call import rules
from api.call.record import hold_name
from api.journal.decisions import CallMade, Decision
from api.journal.fold import Record
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import CAUTION

LONGEST_TEXT = 160
"""Septets in one short message: one for each character of the basic set (3GPP TS 23.038, clause 6.2.1)."""

SHORT_CAUTION = "Guides and local rules decide."
"""The caution, as short as a message of this length carries it. It is at the end of every one."""

LONGEST_HOLD, LONGEST_NAME = 32, 16

GSM_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿"
    "abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""The basic set of the GSM 7-bit alphabet: one septet each.

Its extension table is not used: those characters take two septets. One character outside of both would leave
room for only 70 in the whole message.
"""

_PLAIN = {
    "–": "-",
    "—": "-",
    "−": "-",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
    "…": "...",
    "\u00a0": " ",
    "°": " deg ",
    "€": "EUR",
    "[": "(",
    "]": ")",
    "{": "(",
    "}": ")",
    "|": "/",
    "\\": "/",
    "^": "",
    "~": "-",
    "`": "'",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "ð": "d",
    "þ": "th",
    "ı": "i",
}

# Passports write Cyrillic so (ICAO Doc 9303, part 3, section 6; from memory); the last four: common practice.
_CYRILLIC = {
    **dict(zip("абвгдезиклмнопрстуфыэіңөүқ", "abvgdeziklmnoprstufyeinouk", strict=True)),
    **dict.fromkeys("ъє", "ie"),
    "ж": "zh",
    "х": "kh",
    "ц": "ts",
    "ч": "ch",
    "ш": "sh",
    "щ": "shch",
    "ь": "",
    "ю": "iu",
    "я": "ia",
}

DECISIONS: dict[Decision, str] = {
    "go": "GO",
    "go-with-changes": "GO WITH CHANGES",
    "wait": "WAIT",
    "down": "DOWN",
}


def gsm(text: str) -> str:
    """The text in characters that a short message carries in one septet each.

    Letters with marks that the alphabet lacks lose them; what cannot be said at all becomes a question mark.
    """
    return "".join(_letter(character) for character in unicodedata.normalize("NFC", text))


def _letter(character: str) -> str:
    if character in GSM_BASIC and character not in "\r\n":
        return character
    if character in _PLAIN:
        return _PLAIN[character]
    if character.isspace():
        return " "
    bare = "".join(c for c in unicodedata.normalize("NFKD", character) if not unicodedata.combining(c))
    if bare and all(c in GSM_BASIC for c in bare):
        return bare
    if bare.lower() in _CYRILLIC:
        latin = _CYRILLIC[bare.lower()]
        return latin if bare.islower() else latin.capitalize()
    return "?"


def named(name: str, slug: str, longest: int) -> str:
    """A name as a message can carry it; its id in the plan where its letters cannot be said."""
    said = " ".join(gsm(name).split())
    own = sum(c.isalnum() for c in said)
    if own <= said.count("?") or own == 0:
        said = slug.replace("-", " ")
    return said if len(said) <= longest else said[: longest - 2].rstrip() + ".."


def short_text(evaluation: Evaluation, call: Record[CallMade]) -> str:
    """A call in at most 160 septets: what, where, when, who stays, turnaround, why, and the caution.

    What does not fit is left out from the end, but never the caution; a text that was cut says so with dots.
    """
    body, zone = call.body, evaluation.plan.place.zone
    at = call.happened_at.astimezone(zone)
    hold = named(hold_name(evaluation, body.hold), body.hold, LONGEST_HOLD)
    parts = [f"{DECISIONS[body.decision]} {hold} {at:%d}/{at:%H%M}L"]
    if body.stays:
        parts.append("stay " + ", ".join(_first(evaluation, member) for member in body.stays))
    if body.turnaround_at is not None and body.goes:
        parts.append(f"turn {body.turnaround_at.astimezone(zone):%H%M}L")
    accepted = sum(settled.how == "accepted" for settled in body.settled)
    if accepted:
        parts.append(f"{accepted} accepted")
    if body.left:
        parts.append(f"left {body.left}")
    if body.reason:
        parts.append(body.reason)
    parts.append(call.actor.name)
    return fitted(parts)


def fitted(parts: Iterable[str]) -> str:
    """Parts as one short message: each with a full stop, the last cut where they do not fit; the caution."""
    room = LONGEST_TEXT - len(SHORT_CAUTION) - 1
    return f"{_within(parts, room)} {SHORT_CAUTION}".strip()


def _within(parts: Iterable[str], room: int) -> str:
    said = ""
    for part in parts:
        words = " ".join(gsm(part).split()).rstrip(".")
        if not words:
            continue
        joined = f"{said} {words}." if said else f"{words}."
        if len(joined) <= room:
            said = joined
        elif room - len(said) > 12:
            return f"{said} {words}".strip()[: room - 3].rstrip(" .") + "..."
        else:
            return said[:-1] + "..." if len(said) + 2 <= room else said
    return said


def _first(evaluation: Evaluation, member: str) -> str:
    profile = evaluation.picture.profiles.get(member)
    first = profile.name.split()[:1] if profile else []
    return named(first[0] if first else "", member, LONGEST_NAME)


def calendar(evaluation: Evaluation, stamp: datetime) -> bytes:
    """Hold points ahead, and turning round, as an iCalendar file (RFC 5545)."""
    plan = evaluation.plan
    made = icalendar.Calendar()
    made.add("prodid", "-//Rimaye//hold points//EN")
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", plan.name)
    for hold in plan.hold_points:
        passed = hold.id in evaluation.picture.holds_passed
        words = f"{plan.name}: {hold.name}" + (", passed" if passed else ", no further with an open stop")
        made.add_component(_event(evaluation, f"hold-{hold.id}", words, hold.at, stamp))
    before = plan.stages[0].starts_at - timedelta(days=1) if plan.stages else stamp
    turn = rules.turnaround(plan, evaluation.picture, before)
    if turn is not None and turn.at is not None:
        how = "set by the lead guide" if turn.is_set else "worked out from dark and the plan's pace"
        words = f"{plan.name}: turn round, wherever you are ({how})"
        made.add_component(_event(evaluation, f"turn-{turn.stage}", words, turn.at, stamp))
    return bytes(made.to_ical())


def _event(evaluation: Evaluation, name: str, words: str, at: datetime, stamp: datetime) -> icalendar.Event:
    event = icalendar.Event()
    event.add("uid", f"{name}.{evaluation.trip}@rimaye")
    event.add("dtstamp", stamp)
    event.add("dtstart", at.astimezone(stamp.tzinfo))
    event.add("dtend", at.astimezone(stamp.tzinfo) + timedelta(minutes=15))
    event.add("summary", words)
    event.add("description", CAUTION)
    return event
