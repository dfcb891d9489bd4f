"""Reading editions: faults at their line, hostile YAML, the schema, and writing what was read."""

import string
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from api.kitlist.loading import (
    NotAnEdition,
    edition_from_plain,
    edition_schema,
    read_edition,
    read_file,
    shipped,
)
from api.kitlist.metrics import CONDITION_METRICS
from api.kitlist.places import MOST_BYTES, read_placed
from api.kitlist.schemas import Edition, HowMany
from api.kitlist.writing import to_plain, to_yaml
from tests.kitlist.building import a_requirement, an_edition, built

SHIPPED = shipped()["glaciated-peak"]
TEXT = SHIPPED.read_text(encoding="utf-8")


def _faults(text: str | bytes) -> list[str]:
    with pytest.raises(NotAnEdition) as caught:
        read_edition(text)
    return [fault.shown("list.yaml") for fault in caught.value.faults]


def _broken(old: str, new: str) -> tuple[str, int, int]:
    """The shipped edition with one thing changed, and where that thing stands."""
    at = TEXT.index(old)
    line, column = TEXT.count("\n", 0, at) + 1, at - TEXT.rfind("\n", 0, at)
    return TEXT.replace(old, new, 1), line, column


class TestPlaces:
    @pytest.mark.parametrize(
        ("old", "new", "shift", "says"),
        [
            ("zone: feet", "zone: feat", 6, "Did you mean feet?"),
            ("freezing_level_m", "freezing_levl_m", 0, "Did you mean freezing_level_m "),
            ("3500 m", "3500 km/h", 0, "is not a unit of length"),
            ("wind-chill-2}", "wind-chil-2}", 0, "there is no line wind-chil-2"),
            ("loan: rarely", "lone: rarely", 0, "there is no such field"),
            ("at: summit-start", "at: summit", 4, "not one of the words known here"),
            ("- id: socks", "- id: boots", 6, "two requirements share one id"),
            ("unit: °C", "unit: degrees", 6, "there is no unit degrees"),
            ("at_most: {metric: sleep_min_c, plus: +5 K}", "at_most: {metric: wind_mps}", 18, "is in m/s"),
            ("plus: +5 K", "plus: +5 kg", 6, "is not a unit of temperature change"),
            ("number: 1", "number: one", 8, "should be a valid integer"),
        ],
    )
    def test_fault_is_at_its_line_and_column(self, old: str, new: str, shift: int, says: str) -> None:
        text, line, column = _broken(old, new)

        found = _faults(text)

        assert found[0].startswith(f"list.yaml:{line}:{column + shift} "), found
        assert says in found[0]
        assert " - " in found[0], "a fault says what to do"

    def test_missing_field_is_at_its_owner(self) -> None:
        text, line, _ = _broken("    zone: legs\n", "")

        (found,) = _faults(text)

        assert found.startswith(f"list.yaml:{line - 2}:5 requirements[base-legs].zone: is missing")

    def test_all_faults_are_told_in_order(self) -> None:
        text = TEXT.replace("zone: feet", "zone: feat", 1).replace("loan: pool", "loan: pond", 2)

        lines = [int(fault.split(":")[1]) for fault in _faults(text)]

        assert len(lines) == 3
        assert lines == sorted(lines)

    @given(data=st.data())
    def test_any_misspelt_key_is_found_where_it_stands(self, data: st.DataObject) -> None:
        keys = sorted(path for path in read_placed(TEXT).keys if "when" not in path)
        path = data.draw(st.sampled_from([p for p in keys if len(p) >= 3 and p[0] == "requirements"]))
        place = read_placed(TEXT).keys[path]
        lines = TEXT.split("\n")
        row = lines[place.line - 1]
        key = str(path[-1])
        lines[place.line - 1] = row[: place.column - 1] + "zz" + row[place.column - 1 :]

        found = _faults("\n".join(lines))

        named = [fault for fault in found if f".zz{key}: there is no such field" in fault]
        assert len(named) == 1
        assert named[0].startswith(f"list.yaml:{place.line}:{place.column} ")

    def test_json_faults_are_called_by_path(self) -> None:
        with pytest.raises(NotAnEdition) as caught:
            edition_from_plain(an_edition(a_requirement(zone="feat")))

        (fault,) = caught.value.faults
        assert fault.place is None
        assert fault.shown("list.json").startswith("list.json requirements[mug].zone: ")


class TestBeyondShape:
    @pytest.mark.parametrize(
        ("changes", "says"),
        [
            ({"when": {"metric": "fuel_plan_g", "below": "3 g"}}, "fuel_plan_g is no condition"),
            ({"when": {"metric": "wind_mps", "below": {"from": "base"}}}, "no height above the sea"),
            (
                {"when": {"metric": "wind_mps", "at_least": {"line": "cold"}}},
                "line cold is about freezing_level_m",
            ),
            ({"when": {"metric": "uv_index", "at_least": "8 m"}}, "is not a number without a unit"),
            ({"when": {"metric": "freezing_level_m", "below": 3600}}, "has no unit"),
            ({"when": {"below": "3 m"}}, "is missing"),
            ({"when": {"wind": 3}}, "a condition needs one of"),
            ({"grades": [{"grade": "fix", "at": "base"}, {"grade": "stop", "at": "base"}]}, "never reached"),
            (
                {"grades": [{"grade": "fix", "at": "base", "also": [{"grade": "stop", "at": "base"}]}]},
                "base is graded already",
            ),
            ({"grades": []}, "needs at least one grade"),
            ({"optional": True}, "never flagged"),
            ({"life_safety": True}, "nothing here is a stop"),
            ({"how_many": {"computed": "fuel", "unit": "g"}}, "there is no amount fuel"),
            ({"how_many": {"computed": "fuel_plan_g", "unit": "kg"}}, "is counted in g"),
            ({"how_many": {"per": "party"}}, "cannot count per party"),
            ({"how_many": {"people": 4}}, "per: people and people go together"),
            ({"scope": "rope", "how_many": {"per": "rope"}, "roles": ["lead"]}, "roles say which people"),
        ],
    )
    def test_requirement(self, changes: dict[str, object], says: str) -> None:
        text = yaml.safe_dump(an_edition(a_requirement(**changes)))

        found = _faults(text)

        assert any(says in fault for fault in found), found

    @pytest.mark.parametrize(
        ("question", "says"),
        [
            ({"kind": "number", "limits": [{"at_least": 3, "says": "x"}]}, "needs a unit"),
            (
                {"kind": "number", "unit": "m", "limits": [{"at_least": "3 s", "says": "x"}]},
                "not a unit of length",
            ),
            (
                {"kind": "number", "unit": "1", "limits": [{"want": True, "says": "x"}]},
                "takes limits of the kind",
            ),
            (
                {
                    "kind": "number",
                    "unit": "1",
                    "limits": [{"at_least": 4, "says": "x"}, {"at_least": 3, "says": "y"}],
                },
                "never reached",
            ),
            (
                {"kind": "yes-no", "limits": [{"want": True, "says": "x"}, {"want": True, "says": "y"}]},
                "never reached",
            ),
            (
                {"kind": "yes-no", "needs": "tried", "limits": [{"want": True, "says": "x"}]},
                "would go unasked",
            ),
            ({"kind": "choice", "limits": [{"one_of": ["a"], "says": "x"}]}, "at least two choices"),
            (
                {
                    "kind": "choice",
                    "choices": [{"id": "a", "label": "A"}, {"id": "b", "label": "B"}],
                    "limits": [{"one_of": ["c"], "says": "x"}],
                },
                "names no choice of the question",
            ),
            ({"kind": "date", "limits": [{"says": "x"}]}, "exactly one of"),
            (
                {
                    "kind": "date",
                    "limits": [{"within_years": 5, "says": "x"}, {"within_years": 10, "says": "y"}],
                },
                "never reached",
            ),
        ],
    )
    def test_question(self, question: dict[str, object], says: str) -> None:
        text = yaml.safe_dump(an_edition(a_requirement(questions=[{"id": "q", "ask": "?", **question}])))

        found = _faults(text)

        assert any(says in fault for fault in found), found

    def test_worst_first_is_accepted(self) -> None:
        limits = [{"at_least": 3, "says": "x"}, {"at_least": 4, "says": "y"}]
        question = {"id": "q", "ask": "?", "kind": "number", "unit": "1", "limits": limits}

        edition = read_edition(yaml.safe_dump(an_edition(a_requirement(questions=[question]))))

        assert [limit.at_least for limit in edition.requirements[0].questions[0].limits] == ["3", "4"]


class TestHostile:
    @pytest.mark.parametrize(
        ("text", "where", "says"),
        [
            ("a: &x [1]\nb: *x\n", "1:4", "anchors and aliases"),
            ("a: !!python/object/apply:os.system [ls]\n", "1:4", "tags are not read"),
            ("id: a\nid: b\n", "2:1", "id is written twice, first in line 1"),
            ("a:\n  b: 1\n  b: 2\n", "3:3", "b is written twice"),
            ("---\na: 1\n---\nb: 2\n", "3:1", "a second document"),
            ("", "1:1", "the file is empty"),
            ("# only a comment\n", "1:1", "the file is empty"),
            ("a: [1\n", "2:1", "not well-formed YAML"),
            ("a:\n\t- b\n", "2:1", "indented with a tab"),
            ("? [a, b]\n: c\n", "1:3", "a key that is not text"),
            ("[" * 200 + "]" * 200, "1:32", "nested deeper"),
            ("[" * 5000, "1:", "nested deeper"),
        ],
    )
    def test_refused_at_its_place(self, text: str, where: str, says: str) -> None:
        (found,) = _faults(text)

        assert found.startswith(f"list.yaml:{where}")
        assert says in found

    def test_laughing_aliases_cost_nothing(self) -> None:
        rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
        rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 40)]

        (found,) = _faults("\n".join(rows))

        assert "anchors and aliases" in found

    def test_too_large(self) -> None:
        (found,) = _faults("#" * (MOST_BYTES + 1))

        assert "larger than" in found

    def test_too_many_values(self) -> None:
        (found,) = _faults("[" + "a, " * 60_000 + "a]")

        assert "more than 50000 values" in found

    def test_not_utf8(self) -> None:
        (found,) = _faults(b"id: a\ntitle: \xff\n")

        assert found.startswith("list.yaml:2:1 not UTF-8 text")

    @pytest.mark.parametrize("text", ["just words", "[]", "3", "null", "a: \x07"])
    def test_what_is_no_edition_at_all(self, text: str) -> None:
        assert _faults(text)

    @given(st.text(max_size=200))
    def test_any_text_is_refused_with_place_and_remedy(self, text: str) -> None:
        with pytest.raises(NotAnEdition) as caught:
            read_edition(text)

        assert all(one.place and one.place.line >= 1 and one.remedy for one in caught.value.faults)

    @given(st.binary(max_size=200))
    def test_any_bytes_are_read_or_refused(self, raw: bytes) -> None:
        with pytest.raises(NotAnEdition):
            read_edition(raw)


words = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Zl", "Zp"]), min_size=1, max_size=60)
texts = (
    st.one_of(
        words,
        st.sampled_from(
            [
                "yes",
                "no",
                "null",
                "~",
                "3",
                "08",
                "017",
                "1e3",
                "1.5e+3",
                "2026-03-01",
                "- a",
                "a: b",
                "#",
                "true",
                "0x1f",
                "12:30",
                "''",
                "=",
                "<<",
            ]
        ),
    )
    .map(str.strip)
    .filter(bool)
)
slugs = st.text(string.ascii_lowercase + string.digits, min_size=1, max_size=12)
conditions = st.recursive(
    st.one_of(
        st.builds(lambda v: {"metric": "wind_mps", "at_least": f"{v} km/h"}, st.integers(0, 200)),
        st.builds(
            lambda v: {"metric": "freezing_level_m", "below": {"from": "base", "offset": f"{v} m"}},
            st.integers(-999, 999),
        ),
        st.just({"metric": "freezing_level_m", "below": {"line": "cold"}}),
        st.just({"terrain": ["glacier", "remote"]}),
    ),
    lambda inner: st.one_of(
        st.builds(lambda parts: {"all": parts}, st.lists(inner, min_size=1, max_size=3)),
        st.builds(lambda parts: {"any": parts}, st.lists(inner, min_size=1, max_size=3)),
    ),
    max_leaves=6,
)


class TestWriting:
    def test_shipped_edition_is_in_the_written_form(self) -> None:
        heading = "\n".join(row[2:] for row in TEXT.splitlines() if row.startswith("#"))

        assert to_yaml(read_file(SHIPPED), heading=heading) == TEXT

    def test_shipped_edition_reads_back_equal(self) -> None:
        edition = read_file(SHIPPED)

        assert read_edition(to_yaml(edition)) == edition
        assert edition_from_plain(edition.model_dump(mode="json", by_alias=True)) == edition

    @given(
        st.lists(
            st.tuples(slugs, texts, texts, conditions), min_size=1, max_size=4, unique_by=lambda row: row[0]
        ),
        texts,
    )
    def test_any_edition_reads_back_equal(self, rows: list[tuple[str, str, str, dict]], title: str) -> None:
        requirements = [
            a_requirement(id=one, item=item, why=why, when=when, weight_g=123.5)
            for one, item, why, when in rows
        ]
        edition = built(*requirements, title=title)

        again = read_edition(to_yaml(edition))

        assert again == edition
        assert to_yaml(again) == to_yaml(edition)

    def test_order_of_fields_is_that_of_the_schema(self) -> None:
        plain = to_plain(read_file(SHIPPED))

        order = [name for name in Edition.model_fields if name in plain]
        assert list(plain) == order


class TestSchema:
    def test_is_a_schema_and_takes_the_shipped_edition(self) -> None:
        schema = edition_schema()
        jsonschema.Draft202012Validator.check_schema(schema)

        jsonschema.Draft202012Validator(schema).validate(read_placed(TEXT).data)

    def test_lists_the_metrics(self) -> None:
        below = edition_schema()["$defs"]["Below"]["properties"]["metric"]

        assert below["enum"] == sorted(CONDITION_METRICS)

    def test_refuses_what_reading_refuses(self) -> None:
        validator = jsonschema.Draft202012Validator(edition_schema())

        wrong = an_edition(a_requirement(when={"metric": "no_such_metric", "below": "3 m"}))

        assert list(validator.iter_errors(wrong))


def test_every_shipped_edition_is_fit_for_use() -> None:
    editions = {name: read_file(file) for name, file in shipped().items()}

    assert {name: edition.id for name, edition in editions.items()} == {name: name for name in editions}


def test_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_file(tmp_path / "none.yaml")


@pytest.mark.parametrize("count", [0, -1, 1001])
def test_nobody_is_asked_for_no_thing(count: float) -> None:
    with pytest.raises(ValidationError, match="of a thing"):
        HowMany.model_validate({"count": count})


def test_what_is_left_of_a_body_may_be_less_than_nothing() -> None:
    asked = {"count": -3, "computed": "bag_margin_c", "unit": "°C"}
    assert HowMany.model_validate(asked).count == -3
