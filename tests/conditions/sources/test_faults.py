"""What goes wrong with services, one by one: never a wrong number, always a reason, and mostly another try.

The faults are those reported in the public trackers of the services and of their clients.
"""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from api.clock import FixedClock
from api.conditions import fetch
from api.conditions.fetch import NotFetched, origin_of, pause_after, worth_another_try
from api.conditions.refresh import ask
from api.conditions.sources.asking import Window
from tests.conditions.sources.conftest import (
    KINDS,
    MAIN_PATH,
    NOW,
    PLACE,
    RUN,
    USER_AGENT,
    WINDOW,
    Asker,
    settings_of,
    utc,
)
from tests.support.weather_answers import Fault, Standin, metno

PASSING = [
    pytest.param(Fault(500, b'{"error":true,"reason":"Something went wrong."}'), id="500"),
    pytest.param(Fault(503, b'{"title":"Forecast Grid Expired"}', "application/problem+json"), id="503"),
    pytest.param(Fault(502, b"<html>bad gateway</html>", "text/html"), id="502 html"),
    pytest.param(Fault(200, b"<html>maintenance</html>", "text/html"), id="200 html"),
    pytest.param(Fault(200, b'{"hourly":{"time":[178303'), id="cut json"),
    pytest.param(Fault(200, b'{"hourly":{}}Unexpected error while streaming data: x'), id="error in stream"),
    pytest.param(Fault(cut=True), id="connection cut"),
    pytest.param(Fault(429, b'{"title":"slow down"}', headers={"Retry-After": "1"}), id="429 with a wait"),
]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fault", PASSING)
def test_a_passing_fault_is_tried_again(kind: str, fault: Fault, asker: Asker, standin: Standin) -> None:
    standin.faults[MAIN_PATH[kind]].append(fault)
    assert asker(kind).provenance.issued_at == RUN
    asked = [path for path in standin.paths() if path.startswith(MAIN_PATH[kind])]
    assert len(asked) == 2


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault(403, b"<html>who are you</html>", "text/html"), "refused (403)"),
        (Fault(404, b'{"title":"Not Found"}'), "404"),
        (Fault(400, b'{"error":true,"reason":"No data is available for this location"}'), "No data is"),
        (Fault(422, b"<html>outside</html>", "text/html"), "422"),
    ],
)
def test_a_refusal_is_not_tried_again_and_says_why(
    kind: str, fault: Fault, says: str, asker: Asker, standin: Standin
) -> None:
    standin.faults[MAIN_PATH[kind]].append(fault)
    with pytest.raises(NotFetched) as raised:
        asker(kind)
    assert says in raised.value.reason
    assert "<html>" not in raised.value.reason
    assert sum(path.startswith(MAIN_PATH[kind]) for path in standin.paths()) == 1


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_that_stays_is_given_up(kind: str, asker: Asker, standin: Standin) -> None:
    standin.faults[MAIN_PATH[kind]] += [Fault(503, b"{}")] * 5
    with pytest.raises(NotFetched, match="503"):
        asker(kind)
    assert sum(path.startswith(MAIN_PATH[kind]) for path in standin.paths()) == fetch.ATTEMPTS


def test_broken_answers_are_never_kept(asker: Asker, standin: Standin) -> None:
    """A broken answer that was kept would be broken until it runs out."""
    standin.faults["/v1/forecast"] += [Fault(200, b'{"hourly":')] * 3
    with pytest.raises(NotFetched, match="breaks off"):
        asker("openjson")
    assert asker("openjson").provenance.issued_at == RUN


# -- leaving a service alone


def test_after_a_limit_the_service_is_left_alone(standin: Standin, clock: FixedClock) -> None:
    limit = b'{"error":true,"reason":"Hourly API request limit exceeded. Please try again in the next hour."}'
    standin.faults["/v1/forecast"].append(Fault(429, limit))

    async def twice() -> list[NotFetched]:
        found = []
        async with fetch.opened(
            origins=[standin.url], user_agent=USER_AGENT, clock=clock, most_bytes=1_000_000
        ) as fetcher:
            for _ in range(2):
                with pytest.raises(NotFetched) as raised:
                    await ask(fetcher, settings_of(standin, "openjson"), PLACE, WINDOW, NOW)
                found.append(raised.value)
        return found

    first, second = asyncio.run(twice())
    assert first.not_before_s == second.not_before_s == 3600.0
    assert "Hourly" in first.reason
    assert "left alone" in second.reason
    assert standin.paths().count("/v1/forecast") == 1


@pytest.mark.parametrize(
    ("headers", "reason", "seconds"),
    [
        ({}, "Minutely API request limit exceeded. Please try again in one minute.", 120.0),
        ({}, "Daily API request limit exceeded. Please try again tomorrow.", 21_600.0),
        ({}, "Too many concurrent requests", 120.0),
        ({"Retry-After": "900"}, "", 900.0),
    ],
)
def test_how_long_a_limit_lasts(headers: dict[str, str], reason: str, seconds: float) -> None:
    response = fetch.httpx2.Response(429, json={"reason": reason}, headers=headers)
    assert pause_after(response) == seconds


@pytest.mark.parametrize(
    ("status", "header", "answer"),
    [
        (503, "7", 7.0),
        (503, "3600", False),
        (429, "2", 2.0),
        (429, "", False),
        (503, "", True),
        (503, "Fri, 03 Jul 2026 00:00:05 GMT", 5.0),
        (404, "1", False),
    ],
)
def test_retry_after_is_obeyed(status: int, header: str, answer: float | bool) -> None:
    request = fetch.httpx2.Request("GET", "http://127.0.0.1/")
    headers = {"Date": "Fri, 03 Jul 2026 00:00:00 GMT"} | ({"Retry-After": header} if header else {})
    response = fetch.httpx2.Response(status, headers=headers, request=request)
    error = fetch.httpx2.HTTPStatusError("", request=request, response=response)
    assert worth_another_try(error) == answer


# -- where questions may go


def test_a_redirect_within_the_service_is_followed(asker: Asker, standin: Standin) -> None:
    standin.faults["/points"].append(Fault(301, b"", headers={"Location": "/points/46.8523,-121.7603"}))
    assert asker("nws").provenance.issued_at == RUN


@pytest.mark.parametrize("target", ["http://127.0.0.1:9/elsewhere", "http://169.254.169.254/", "file:///etc"])
def test_a_redirect_elsewhere_is_not_followed(target: str, asker: Asker, standin: Standin) -> None:
    standin.faults["/points"].append(Fault(302, b"", headers={"Location": target}))
    with pytest.raises(NotFetched):
        asker("nws")
    assert len(standin.log) == 1


def test_an_address_in_an_answer_leads_nowhere_else(asker: Asker, standin: Standin) -> None:
    def elsewhere(answer: dict[str, Any]) -> dict[str, Any]:
        answer["properties"]["forecastGridData"] = "http://169.254.169.254/gridpoints/SEW/145,31"
        return answer

    standin.changes["/points"] = elsewhere
    assert asker("nws").provenance.issued_at == RUN
    assert standin.paths()[-1] == "/gridpoints/SEW/145,31"


def test_origins_are_told_apart_by_scheme_host_and_port() -> None:
    urls = ("https://a.example/x", "http://a.example/x", "https://a.example:444/", "https://b.example/")
    assert len({origin_of(fetch.httpx2.URL(url)) for url in urls}) == 4
    assert origin_of(fetch.httpx2.URL("https://a.example:443/")) == "https://a.example:443"


def test_an_answer_too_large_is_not_read(asker: Asker, standin: Standin) -> None:
    with pytest.raises(NotFetched, match="larger"):
        asker("openjson-ensemble", most_bytes=2_000)


def test_a_slow_service_is_given_up_in_time(
    asker: Asker, standin: Standin, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fetch, "READ_S", 0.2)
    standin.faults["/weatherapi"] += [Fault(slow_s=0.6)] * 3
    with pytest.raises(NotFetched, match="in time"):
        asker("metno")


def test_a_service_that_is_not_there_is_said(clock: FixedClock, standin: Standin) -> None:
    async def asked() -> None:
        async with fetch.opened(
            origins=["http://127.0.0.1:9"], user_agent=USER_AGENT, clock=clock, most_bytes=10_000
        ) as fetcher:
            settings = settings_of(standin, "metno")
            gone = type(settings)(kind="metno", base_url="http://127.0.0.1:9")
            await ask(fetcher, gone, PLACE, WINDOW, NOW)

    with pytest.raises(NotFetched, match="cannot be reached"):
        asyncio.run(asked())


# -- keeping answers


def test_what_is_fresh_is_not_asked_for_again(asker: Asker, standin: Standin) -> None:
    assert asker("metno").fingerprint == asker("metno").fingerprint
    assert standin.paths().count(MAIN_PATH["metno"] + "/locationforecast/2.0/complete") == 1


def test_what_has_run_out_is_asked_for_with_a_condition(asker: Asker, standin: Standin) -> None:
    standin.expires_s = -1
    first = asker("metno")
    second = asker("metno")
    assert "if-modified-since" not in standin.log[0].headers
    assert standin.log[1].headers["if-modified-since"] == "Fri, 03 Jul 2026 00:00:00 GMT"
    assert first.fingerprint == second.fingerprint


def test_a_service_that_says_nothing_is_asked_once_a_run(asker: Asker, standin: Standin) -> None:
    asker("openjson")
    asker("openjson")
    assert standin.paths().count("/v1/forecast") == 1
    standin.run = utc(3, 6)
    assert asker("openjson").provenance.issued_at == utc(3, 6)
    assert standin.paths().count("/v1/forecast") == 2


def test_the_same_question_at_the_same_time_is_asked_once(standin: Standin, clock: FixedClock) -> None:
    standin.faults["/weatherapi"].append(Fault(slow_s=0.3))

    async def together() -> set[str]:
        async with fetch.opened(
            origins=[standin.url], user_agent=USER_AGENT, clock=clock, most_bytes=1_000_000
        ) as fetcher:
            settings = settings_of(standin, "metno")
            asked = (ask(fetcher, settings, PLACE, WINDOW, NOW) for _ in range(5))
            return {forecast.fingerprint for forecast in await asyncio.gather(*asked)}

    assert len(asyncio.run(together())) == 1
    assert len(standin.log) == 1


def test_a_service_about_to_go_away_still_answers(asker: Asker, standin: Standin) -> None:
    whole = asker("metno")
    body = json.dumps(metno(standin, standin.log[-1])[0]).encode()
    standin.expires_s = -1
    standin.faults["/weatherapi"].append(Fault(203, body))
    later = asker("metno", window=Window(WINDOW.starts_at, WINDOW.ends_at))
    assert later.fingerprint == whole.fingerprint
    standin.faults["/weatherapi"].append(Fault(203, b"{cut"))
    assert asker("metno").fingerprint == whole.fingerprint
