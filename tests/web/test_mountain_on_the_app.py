"""The mountain page on the whole app, with the demo trip in the database."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, timedelta

import pytest
from fastapi import FastAPI

from api.access.current import Reader, current_reader
from api.clock import FixedClock
from seeds import demo, loading
from tests.support.client import IsolatedTestClient
from tests.web import sample

MOUNTAIN = f"/trips/{sample.TRIP}/mountain"


@pytest.mark.one_database
class TestOnTheApp:
    @pytest.fixture
    def client(self, app: FastAPI, clock: FixedClock) -> Iterator[IsolatedTestClient]:
        with IsolatedTestClient(app, follow_redirects=True) as client:
            loading.seed(app.state.db)
            clock.set(demo.moments(demo.scenario())[0].at)
            reader = Reader(outfit="quillstone", staff="lead", name="Lead", role="lead", everywhere=True)
            app.dependency_overrides[current_reader] = lambda: reader
            yield client

    def test_page_part_and_what_if(self, client: IsolatedTestClient) -> None:
        page = client.get(MOUNTAIN)
        assert page.status_code == 200
        assert "The board rests on it." in page.text
        assert client.get(f"{MOUNTAIN}/_part").status_code == 200
        board = client.get(f"/api/trips/{sample.TRIP}/board").json()
        supposed = client.get(f"{MOUNTAIN}/what-if?freezing_level=-600")
        assert "freezing level 600" in supposed.text
        after = client.get(f"/api/trips/{sample.TRIP}/board").json()
        assert after == board
        assert {"possible", "since"} <= after.keys()

    def test_sources_that_differ_are_shown_on_the_page_and_as_data(self, client: IsolatedTestClient) -> None:
        """A file of a second source, with 0 °C far below the camps, beside what a guide typed in."""
        body = ["#model: invented", f"#reference_time: {sample.START.astimezone(UTC):%Y-%m-%dT%H:00:00Z}"]
        body += ["time,level[m],air_temperature[degC],wind_speed[m/s]"]
        for hours in range(0, 120, 3):
            at = sample.START.astimezone(UTC) + timedelta(hours=hours)
            body += [
                f"{at:%Y-%m-%dT%H:00:00Z},{z},{16 - 0.0065 * z:.1f},9.0" for z in (1500, 2500, 4000, 5500)
            ]
        sent = client.post(
            f"/api/trips/{sample.TRIP}/forecasts/file",
            files={"file": ("second.csv", "\n".join(body).encode(), "text/csv")},
            data={"source": "second"},
        )
        assert sent.status_code == 201, sent.text
        found = client.get(f"/api/trips/{sample.TRIP}/outlook").json()
        assert found["caution"]
        assert set(found["by_source"]["sources"]) == {"typed in", "file: second"}
        flags = found["by_source"]["differ"]
        assert flags
        assert all(
            len({(one["standing"], one["grade"], one["hold_name"]) for one in flag["by"].values()}) > 1
            for flag in flags
        )
        page = client.get(MOUNTAIN).text
        assert "Sources differ about" in page
        assert "File: second" in page

    def test_a_what_if_says_what_is_graded_otherwise(self, client: IsolatedTestClient) -> None:
        text = client.get(f"{MOUNTAIN}/what-if?freezing_level=-400").text
        assert "Is graded otherwise" in text
        board = client.get(f"/api/trips/{sample.TRIP}/board").json()
        mitts = next(f for f in board["findings"] if f["requirement"] == "backup-mitts" and f["why_now"])
        assert mitts["grade"] == "advise"
        assert f"Backup mitts for {mitts['subject_name']}: fix before" in text.replace("<b>", "")

    def test_the_text_says_what_the_picture_shows(self, client: IsolatedTestClient) -> None:
        """Hold points, and how far low and high lie apart, which are drawn, are said too."""
        text = client.get(MOUNTAIN).text
        said = text[text.index('id="face-words"') : text.index("</details>", text.index('id="face-words"'))]
        for hold in client.get(f"/api/trips/{sample.TRIP}/board").json()["holds"]:
            assert f"Hold point {hold['name']}" in said
        assert "Over the scenarios the lowest freezing level is" in said

    def test_an_empty_form_shows_the_mountain_as_it_is(self, client: IsolatedTestClient) -> None:
        assert "A what-if." not in client.get(f"{MOUNTAIN}/what-if").text

    def test_another_outfits_trip_is_not_found(self, client: IsolatedTestClient) -> None:
        assert client.get("/trips/nobodys/mountain").status_code == 404
