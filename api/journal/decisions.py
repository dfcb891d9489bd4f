"""Entry kinds of the call: what guides think, what would change their mind, what is decided, what was learnt.

A view is kept from other guides until they have given their own (`journal/views.py`). A call says what its
writer knew when it was made; the service answers it with a countersignature that says what it knew itself.
"""

from typing import Annotated, Literal, Self
from uuid import UUID

from pydantic import AwareDatetime, Field, model_validator

from api.journal.body import Body, Key
from api.journal.trip import LongText, RopeTeam, ShortText, Slug, Value

Decision = Literal["go", "go-with-changes", "wait", "down"]
GOING: tuple[Decision, ...] = ("go", "go-with-changes")
"""The calls after which the party passes the hold point."""

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
FindingName = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}\.[a-z0-9-]{1,64}$")]
Line = Annotated[str, Field(max_length=300)]


class ViewGiven(Body):
    """What one guide thinks at a hold point, in a word and a line."""

    kind: Literal["view-given"] = "view-given"
    hold: Slug
    member: Slug
    """Whose view it is."""
    view: Decision | Literal["withheld"]
    """`withheld` stands in an answer to a reader who has not given their own; it never counts as a view."""
    why: Line = ""
    after_call: UUID | None = None
    """The last call at this hold point when it was given; None: there had been none."""

    def key(self) -> Key:
        return ("view", self.hold, str(self.after_call or "first"), self.member)


class Wire(Value):
    """A number that must not be reached: a metric, where and when, on which side of which value."""

    metric: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,60}$")]
    comparison: Literal["at-least", "below"]
    value: Annotated[float, Field(allow_inf_nan=False, ge=-1e6, le=1e6)]
    """In the unit the metric registry gives."""
    stage: Slug | None = None
    """None: every stage ahead."""
    at: AwareDatetime | None = None
    """The moment it is looked at; None: the whole stage."""


class TripwireSet(Body):
    """What would change the call: a number that is watched, or words that a guide watches."""

    kind: Literal["tripwire-set"] = "tripwire-set"
    tripwire: Slug
    says: ShortText
    wire: Wire | None = None

    def key(self) -> Key:
        return ("tripwire", self.tripwire)


class TripwireEnded(Body):
    """A tripwire is not watched any more."""

    kind: Literal["tripwire-ended"] = "tripwire-ended"
    tripwire: Slug
    reason: LongText = ""

    def key(self) -> Key:
        return ("tripwire", self.tripwire)


class TripwireCrossed(Body):
    """Someone saw that a tripwire was crossed."""

    kind: Literal["tripwire-crossed"] = "tripwire-crossed"
    tripwire: Slug
    says: Line = ""

    def key(self) -> Key:
        return ("tripwire-crossed", self.tripwire)


class TurnaroundSet(Body):
    """When the party turns round on a stage, wherever it is then."""

    kind: Literal["turnaround-set"] = "turnaround-set"
    stage: Slug
    at: AwareDatetime
    reason: LongText = ""

    def key(self) -> Key:
        return ("turnaround", self.stage)


class PaceSet(Body):
    """How long the way down takes and how much time is kept in hand, for working out when to turn round."""

    kind: Literal["pace-set"] = "pace-set"
    stage: Slug
    """The stage at whose end one turns."""
    down_h: Annotated[float, Field(gt=0, le=72, allow_inf_nan=False)] | None = None
    """None: as the plan has it."""
    margin_h: Annotated[float, Field(ge=0, le=24, allow_inf_nan=False)] | None = None
    """None: an hour."""
    reason: LongText = ""

    def key(self) -> Key:
        return ("pace", self.stage)


class HoursSet(Body):
    """A guide's own hours for a stage, in place of what is estimated from packs and ground."""

    kind: Literal["hours-set"] = "hours-set"
    stage: Slug
    hours: Annotated[float, Field(ge=0.1, le=24, allow_inf_nan=False)] | None = None
    """Rests included. None: the estimate holds again."""
    reason: LongText = ""

    def key(self) -> Key:
        return ("hours", self.stage)


class Settled(Value):
    """What becomes of one open stop at a call."""

    finding: FindingName
    how: Literal["accepted", "stays"]
    """Accepted by name, or the person, rope or party stays behind."""
    reason: LongText = ""


class Knew(Value):
    """What the writer of a call had before their eyes."""

    seq: Annotated[int, Field(ge=0)]
    """Number of the last journal entry they had read."""
    findings: Annotated[tuple[FindingName, ...], Field(max_length=2_000)] = ()
    forecast: Sha256 | None = None


class CallMade(Body):
    """The call: what is decided at a hold point, by a lead guide, and on what knowledge."""

    kind: Literal["call-made"] = "call-made"
    hold: Slug
    decision: Decision
    reason: LongText = ""
    stays: Annotated[tuple[Slug, ...], Field(max_length=100)] = ()
    """Members who go no further."""
    ropes: Annotated[tuple[RopeTeam, ...], Field(max_length=40)] | None = None
    """The ropes as they go on, when the call changes them."""
    left: LongText = ""
    """What is left behind."""
    turnaround_at: AwareDatetime | None = None
    settled: Annotated[tuple[Settled, ...], Field(max_length=400)] = ()
    knew: Knew

    @property
    def goes(self) -> bool:
        """Whether the party passes the hold point."""
        return self.decision in GOING

    @model_validator(mode="after")
    def _whole(self) -> Self:
        changed = bool(self.stays or self.left or self.ropes is not None)
        if self.decision == "go-with-changes" and not changed:
            raise ValueError("go with changes must say what changes: who stays, which ropes, what is left")
        if self.decision == "go" and changed:
            raise ValueError("a plain go changes nothing; call it go with changes")
        if self.decision == "wait" and len(self.reason) < 3:
            raise ValueError("say in a few words what is waited for")
        return self


class CallCountersigned(Body):
    """The service has the call: the frozen record's hash, its signature, and how their knowledge differed."""

    kind: Literal["call-countersigned"] = "call-countersigned"
    call: UUID
    record: Sha256
    signature: Annotated[str, Field(pattern=r"^[0-9a-f]{128}$")]
    """Ed25519 (RFC 8032) over the record's canonical form (RFC 8785)."""
    key_id: Annotated[str, Field(pattern=r"^[0-9a-f]{16}$")]
    differences: Annotated[tuple[Annotated[str, Field(max_length=600)], ...], Field(max_length=400)] = ()

    def key(self) -> Key:
        return ("countersigned", str(self.call))


class DebriefNote(Body):
    """One thing learnt, for the outfit's review. Names of people are left out unless someone puts them in."""

    kind: Literal["debrief-note"] = "debrief-note"
    about: Literal["surprised", "found-late", "lent", "near-miss", "list"]
    text: Annotated[LongText, Field(min_length=1)]
    requirement: Slug | None = None
    """The line of the kit list it is about."""
    stage: Slug | None = None
    found: Literal["office", "hands-on", "on-mountain"] | None = None
    """Where a gap was found."""
    who: ShortText | None = None


CallBody = (
    ViewGiven
    | TripwireSet
    | TripwireEnded
    | TripwireCrossed
    | TurnaroundSet
    | PaceSet
    | CallMade
    | CallCountersigned
    | DebriefNote
)
"""Any of them."""
