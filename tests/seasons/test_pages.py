"""The pages of the review: valid, and saying what the numbers say."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors

pytestmark = pytest.mark.one_database


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    with IsolatedTestClient(app, headers={"accept": "text/html"}, follow_redirects=False) as client:
        yield client


def test_pages_are_valid(client: IsolatedTestClient) -> None:
    paths = {
        "overview": "/seasons",
        "chosen": "/seasons?season=2025&rental=rented+by+mail&first=2025-06",
        "nobody": "/seasons?season=1999",
        "requirement": "/seasons/requirements/headlamp-power",
        "trips": "/seasons/requirements/headlamp-power/trips?what=lacking",
        "late": "/seasons/notes/late",
        "surprises": "/seasons/notes/surprises",
        "locker": "/seasons/notes/locker",
        "remarks": "/seasons/notes/remarks",
        "trials": "/seasons/trials",
        "letters": "/seasons/letters",
    }
    pages = {}
    for name, path in paths.items():
        answer = client.get(path)
        assert answer.status_code == 200, (path, answer.text)
        pages[name] = answer.text
    assert html_errors(pages) == []
    assert all("The final call rests with the licensed guides" in text for text in pages.values())
