"""One page on paper: a call, or the whole board. The words are data for a template; needs the `pdf` extra."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

from api.call.share import DECISIONS
from api.errors import Unavailable
from api.readiness.schemas import Board, Finding, ForecastLine, GapKind

Paper = Literal["a4", "us-letter"]
MOST_LINES = 22
"""Findings told one by one; how many more there are is always said."""
WORDS = {"stop": "STOP", "fix": "FIX", "advise": "Advise", "unknown": "Not known", "accepted": "Accepted"}


class NoPaper(Unavailable):
    """PDF pages need the optional part `pdf` of the installation: pip install 'rimaye[pdf]'."""

    code = "no-pdf"
    title = "PDF is not installed"


@cache
def _template() -> bytes:
    return (Path(__file__).parent / "page.typ").read_bytes()


def pdf(page: Mapping[str, Any], at: datetime, paper: Paper = "a4") -> bytes:
    """A tagged PDF/UA-1 page with its fonts in it. The same page at the same moment is the same bytes.

    Raises NoPaper when the optional part is not installed.
    """
    try:
        import typst
    except ImportError as error:
        raise NoPaper(
            "PDF pages need: pip install 'rimaye[pdf]'. The page prints from the browser."
        ) from error
    made: bytes = typst.compile(
        _template(),
        format="pdf",
        sys_inputs={"data": json.dumps(page), "paper": paper},
        pdf_standards=["ua-1"],
        timestamp=int(at.astimezone(UTC).timestamp()),
        ignore_system_fonts=True,
    )
    return made


def call_page(sealed: Mapping[str, Any]) -> dict[str, Any]:
    """The page of a call, from its sealed record."""
    record = sealed["record"]
    about, decision = record["about"], record["decision"]
    zone = ZoneInfo(about["time_zone"])
    names = _names(record)
    word = DECISIONS[decision["decision"]].capitalize()
    caller = about["called_by"]["name"]
    return {
        "title": f"{word}: {about['hold_name']}",
        "author": caller,
        "under": f"{about['trip_name']}. Called by {caller}, {_at(about['called_at'], zone)}.",
        "verdict": decision["reason"] or word,
        "standing": "clear" if decision["decision"] == "go" else "fix",
        "caution": record["caution"],
        "sections": [
            {"title": "The call", "facts": _decision(decision, names, zone)},
            {"title": "Views of the assistant guides", "facts": _views(record["views"], names)},
            {"title": "Accepted by name", "facts": _accepted(record["accepted"])},
            {"title": "What was open", "lines": _findings(record["findings"], record["accepted"])},
            {"title": "What would change it", "facts": _tripwires(record, zone)},
            {"title": "Known to one side only", "lines": [_line(says) for says in record["differences"][:8]]}
            if record["differences"]
            else {"title": "Known to one side only", "note": "Nothing: the caller knew all that was here."},
            {"title": "What it rests on", "facts": _rests(record, zone)},
        ],
        "foot": f"Record {sealed['sha256']}, signed by key {sealed['key_id']} (Ed25519). "
        f"Entry {record['journal']['seq']} of the journal. Check it with: rimaye call verify FILE",
    }


def board_page(board: Board) -> dict[str, Any]:
    """The page of a whole board."""
    zone = ZoneInfo(board.time_zone)
    ahead = next((hold for hold in board.holds if hold.next), None)
    where = f"Next hold point: {ahead.name}, {_at(ahead.at, zone)}." if ahead else "No hold point ahead."
    counts = board.verdict.tally
    told = (
        f"{counts.stop} stops, {counts.fix} to fix, {counts.unknown} not known, {counts.advise} advised, "
        f"{counts.accepted} accepted by name"
    )
    return {
        "title": board.name,
        "author": "Rimaye",
        "under": f"As of {_at(board.as_of, zone)}. {where}",
        "verdict": f"{board.verdict.words}: {told}.",
        "standing": board.verdict.standing.value,
        "caution": board.caution,
        "sections": [
            {"title": "Ropes", "facts": [_rope(rope.name, rope.people) for rope in board.ropes]}
            if board.ropes
            else {"title": "Ropes", "note": "No ropes are set."},
            {"title": "Open", "lines": _shown([*board.findings, *board.accepted])}
            if board.findings or board.accepted
            else {"title": "Open", "note": board.clear_means},
            {"title": "The next hours", "lines": [_hour(hour, zone) for hour in board.next_hours[::3]]}
            if board.next_hours
            else {"title": "The next hours", "note": "No forecast covers them: treated as asked."},
            {"title": "What it rests on", "facts": _board_rests(board, zone)},
        ],
        "foot": f"Entry {board.seq} of the journal of {board.trip}. Clear means: {board.clear_means}",
    }


# -- parts of a call -----------------------------------------------------------------------------------------


def _names(record: Mapping[str, Any]) -> dict[str, str]:
    return dict(record["names"])


def _decision(decision: Mapping[str, Any], names: Mapping[str, str], zone: ZoneInfo) -> list[dict[str, Any]]:
    facts = [_fact("Decision", DECISIONS[decision["decision"]].capitalize())]
    if decision["stays"]:
        facts.append(_fact("Who stays", ", ".join(names.get(m, m) for m in decision["stays"])))
    for rope in decision["ropes"] or ():
        facts.append(_fact(rope["name"], ", ".join(names.get(m, m) for m in rope["members"])))
    if decision["left"]:
        facts.append(_fact("Left behind", decision["left"]))
    if decision["turnaround_at"]:
        facts.append(_fact("Turn round", _at(decision["turnaround_at"], zone)))
    return facts


def _views(views: Mapping[str, Any], names: Mapping[str, str]) -> list[dict[str, Any]]:
    facts = [
        _fact(names.get(v["member"], v["by"]), f"{DECISIONS[v['view']].capitalize()}. {v['why']}".strip())
        for v in views["given"]
    ]
    if views["missing"]:
        facts.append(_fact("Missing", ", ".join(names.get(m, m) for m in views["missing"])))
    return facts or [_fact("Nobody", "No assistant guide is on the trip.")]


def _accepted(accepted: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    if not accepted:
        return [_fact("Nothing", "No gap was accepted.")]
    return [_fact(str(a["by"]), f"{a['title']}. Reason: {a['reason']}") for a in accepted]


def _findings(
    found: Sequence[Mapping[str, Any]], accepted: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    by_name = {a["finding"] for a in accepted}
    return _once(
        _Told(
            f["title"],
            f["grade"] if GapKind(f["kind"]).known_gap else "unknown",
            f"before {f['hold_name']}",
        )
        for f in found
        if f["id"] not in by_name
    )


def _tripwires(record: Mapping[str, Any], zone: ZoneInfo) -> list[dict[str, Any]]:
    facts = [_fact("Tripwire", wire["says"]) for wire in record["tripwires"]]
    turn = record["turnaround"]
    if turn and turn["at"]:
        how = "set" if turn["is_set"] else "from dark and pace"
        facts.append(_fact("Turnaround", f"{_at(turn['at'], zone)} ({how}), planned at {turn['place']} "
                           f"{_at(turn['planned_at'], zone)}"))  # fmt: skip
    return facts or [_fact("Nothing", "No tripwire was set.")]


def _rests(record: Mapping[str, Any], zone: ZoneInfo) -> list[dict[str, Any]]:
    forecast, edition = record["forecast"], record["edition"]
    return [
        _fact(
            "Forecast",
            f"{forecast['provider']}, {forecast['label']}, issued {_at(forecast['issued_at'], zone)}, "
            f"hash {forecast['sha256'][:16]}"
            if forecast
            else "None: what depends on the weather was treated as asked.",
        ),
        _fact("Kit list", f"{edition['title']}, hash {edition['sha256'][:16]}" if edition else "None."),
        _fact("Code", f"Rimaye {record['code']['rimaye']}, {record['code']['conditions_version']}"),
    ]


# -- parts of a board ----------------------------------------------------------------------------------------


def _rope(name: str, people: Iterable[Any]) -> dict[str, Any]:
    told = [f"{person.name}: {_counted(person.verdict)}" for person in people]
    return _fact(name, told)


def _counted(verdict: Any) -> str:
    counts = verdict.tally
    parts = [
        f"{number} {word}"
        for number, word in (
            (counts.stop, "stop" if counts.stop == 1 else "stops"),
            (counts.fix, "to fix"),
            (counts.unknown, "not known"),
            (counts.advise, "advised"),
            (counts.accepted, "accepted"),
        )
        if number
    ]
    return ", ".join(parts) or verdict.words


def _shown(found: Sequence[Finding]) -> list[dict[str, Any]]:
    told = []
    for finding in found:
        accepted = finding.life.state.value == "accepted"
        grade = "accepted" if accepted else finding.grade.value if finding.known_gap else "unknown"
        says = f"before {finding.hold_name}" + (f"; {finding.life.reason}" if accepted else "")
        told.append(_Told(finding.title, grade, says))
    return _once(told)


def _hour(hour: Any, zone: ZoneInfo) -> dict[str, Any]:
    def told(value: float | None, unit: str, places: int = 0) -> str:
        return "not known" if value is None else f"{value:,.{places}f} {unit}".replace("-", "−")

    wind = None if hour.wind_mps is None else hour.wind_mps * 3.6
    says = (
        f"at {hour.elevation_m:,.0f} m: air {told(hour.air_temperature_c, '°C')}, wind {told(wind, 'km/h')}, "
        f"0 °C at {told(hour.freezing_level_m, 'm')}"
    )
    return _line(_at(hour.at, zone), says=says)


def _credit(forecast: ForecastLine) -> str:
    """Whom the licence of a forecast wants named wherever its numbers are shown."""
    if not forecast.attribution:
        return ""
    return f". {forecast.attribution}" + (f" ({forecast.licence})" if forecast.licence else "")


def _board_rests(board: Board, zone: ZoneInfo) -> list[dict[str, Any]]:
    forecast = board.forecast
    return [
        _fact(
            "Forecast",
            f"{forecast.provider}, {forecast.label}, issued {_at(forecast.issued_at, zone)}, "
            f"{forecast.age_h:.0f} h old{_credit(forecast)}"
            if forecast
            else "None received.",
        ),
        _fact("Kit list", board.edition_title or "None chosen, so nothing is asked."),
        _fact(
            "Hold points",
            [
                f"{hold.name}, {_at(hold.at, zone)}" + (", passed" if hold.passed_at else "")
                for hold in board.holds
            ],
        ),
    ]


# -- words ---------------------------------------------------------------------------------------------------


def _fact(name: str, says: str | list[str]) -> dict[str, Any]:
    return {"name": name, "says": says}


def _line(what: str, *, word: str = "", standing: str = "", says: str = "") -> dict[str, Any]:
    return {"what": what, "word": word, "standing": standing, "says": says, "strong": word in ("STOP",)}


class _Told(NamedTuple):
    """A finding as a line tells it."""

    title: str
    standing: str
    says: str


def _once(told: Iterable[_Told]) -> list[dict[str, Any]]:
    """A line for each finding; the same of several people is told once, with all their names."""
    alike: dict[tuple[str, str, str], list[str]] = {}
    for one in told:
        who, _, what = one.title.partition(": ")
        alike.setdefault((what, one.standing, one.says), []).append(who)
    return _cut(
        [
            _line(f"{', '.join(who)}: {what}", word=WORDS[standing], standing=standing, says=says)
            for (what, standing, says), who in alike.items()
        ]
    )


def _cut(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    if len(lines) <= MOST_LINES:
        return lines
    return [*lines[:MOST_LINES], _line(f"and {len(lines) - MOST_LINES} more on the board")]


def _at(at: datetime | str, zone: ZoneInfo) -> str:
    moment = datetime.fromisoformat(at) if isinstance(at, str) else at
    return f"{moment.astimezone(zone):%a %d %b %Y, %H:%M}"
