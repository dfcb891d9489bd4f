"""People and ropes for the roster's tests, and what to make arbitrary ones from. All invented."""

import csv
import io
from itertools import count

from hypothesis import strategies as st

from api.journal.trip import MemberProfile, Role, RopeTeam
from api.roster.files import read_table
from api.roster.import_rules import propose
from api.roster.proposals import Proposal
from api.roster.text import control_character

PEOPLE = {
    "m-1": MemberProfile(name="Maren Okafor-Lindqvist", role=Role.LEAD, contact="+41 79 000 00 01"),
    "m-2": MemberProfile(name="Tashi Wangdrak", role=Role.ASSISTANT, language="ne, en"),
    "m-3": MemberProfile(name="Aroha Tūmanako", role=Role.CLIMBER, sizes={"boot": "39", "head": "56 cm"}),
    "m-4": MemberProfile(name="Moon Hye-jin", role=Role.CLIMBER, about="photographer;\nfilms at night"),
}
ROPES = (
    RopeTeam(id="r-1", name="Rope 1", members=("m-1", "m-3")),
    RopeTeam(id="r-2", name="Rope 2", members=("m-2", "m-4")),
)


def sheet(*rows: str) -> bytes:
    """A CSV file of these lines."""
    return "\n".join(rows).encode()


def try_file(content: bytes, people=PEOPLE, ropes=ROPES) -> Proposal:
    """What a file would change on the trip of these people."""
    members, teams = count(1), count(1)
    return propose(
        read_table(content, "roster"),
        people,
        ropes,
        new_member_id=lambda: f"new-{next(members)}",
        new_rope_id=lambda: f"new-rope-{next(teams)}",
    )


def cells(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def _typeable(text: str) -> bool:
    return bool(text.strip()) and control_character(text) is None


_ANY = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=120)
_LOOKS_LIKE_FORMULA = st.builds(
    lambda start, rest: (start + rest)[:120], st.sampled_from(["=", "+", "-", "@", "'=", "''+", "＝"]), _ANY
)
names = (_ANY | _LOOKS_LIKE_FORMULA).filter(_typeable)
long_texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=400).filter(
    lambda text: control_character(text) is None
)
slugs = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,6}[a-z0-9])?", fullmatch=True)

profiles = st.builds(
    MemberProfile,
    name=names,
    role=st.sampled_from(Role),
    contact=st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=200),
    language=st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=35),
    sizes=st.dictionaries(slugs, names.map(lambda name: name[:40]).filter(_typeable), max_size=4),
    about=long_texts,
)


@st.composite
def rosters(draw):
    """People by id and the ropes some of them are on."""
    found = draw(st.lists(profiles, min_size=1, max_size=8))
    people = {f"m-{number}": profile for number, profile in enumerate(found)}
    shuffled = draw(st.permutations(list(people)))
    cuts = sorted(draw(st.lists(st.integers(0, len(shuffled)), min_size=3, max_size=3)))
    names_of_ropes = draw(
        st.lists(
            names.filter(lambda name: name == " ".join(name.split())), min_size=2, max_size=2, unique=True
        )
    )
    ropes = (
        RopeTeam(id="r-1", name=names_of_ropes[0], members=tuple(shuffled[: cuts[0]])),
        RopeTeam(id="r-2", name=names_of_ropes[1], members=tuple(shuffled[cuts[0] : cuts[1]])),
    )
    return people, ropes
