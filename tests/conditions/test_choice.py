"""Which forecast the board rests on when several sources stand beside each other."""

from datetime import timedelta
from uuid import UUID

from api.conditions.choice import forecast_in_force, issues_in_force, newest_of_each, provider_in_force
from api.ids import new_id
from api.journal.entry import Actor, Entry
from api.journal.fold import EMPTY, fold
from api.journal.kinds import AnyBody, ForecastChosen, ForecastReceived
from tests.conditions.building import START

LEAD = Actor(id="lead", name="Lead guide", role="lead")
TYPED, MODEL, OTHER = "typed in", "openjson:invented", "metno"


def entry(body: AnyBody, minute: int, after: tuple[UUID, ...] = ()) -> Entry:
    at = START + timedelta(minutes=minute)
    return Entry(id=new_id(at), trip="t", body=body, actor=LEAD, device="test", happened_at=at, after=after)


def received(provider: str, hour: int) -> Entry:
    body = ForecastReceived(
        forecast=f"{hour:064x}", provider=provider, label="x", issued_at=START + timedelta(hours=hour)
    )
    return entry(body, hour)


def in_force(*entries: Entry) -> tuple[str, int] | None:
    record = forecast_in_force(fold(entries))
    return (record.body.provider, int(record.body.forecast, 16)) if record else None


def test_without_a_forecast_none_is_in_force() -> None:
    assert forecast_in_force(EMPTY) is None
    assert provider_in_force(EMPTY) is None


def test_what_is_typed_in_wins_over_newer_ones_from_elsewhere() -> None:
    assert in_force(received(TYPED, 1), received(TYPED, 2), received(MODEL, 9)) == (TYPED, 2)


def test_without_typed_in_the_newest_that_knows_the_air_up_there() -> None:
    assert in_force(received(MODEL, 3), received("edr peaks", 9)) == ("edr peaks", 9)
    assert in_force(received(MODEL, 3), received(OTHER, 9)) == (MODEL, 3)
    assert in_force(received(OTHER, 9)) == (OTHER, 9)


def test_of_two_equally_new_the_name_decides_and_not_the_order_they_came_in() -> None:
    one, other = received(MODEL, 3), received("edr peaks", 3)
    assert in_force(one, other) == in_force(other, one) == (MODEL, 3)


def test_the_choice_stands_while_its_provider_has_sent_something() -> None:
    choice = entry(ForecastChosen(provider=MODEL), 100)
    assert in_force(received(TYPED, 1), received(MODEL, 3), received(MODEL, 2), choice) == (MODEL, 3)
    assert in_force(received(TYPED, 1), received(OTHER, 3), choice) == (TYPED, 1)


def test_a_choice_can_be_taken_back() -> None:
    first = entry(ForecastChosen(provider=MODEL), 100)
    second = entry(ForecastChosen(provider=None), 101, after=(first.id,))
    assert in_force(received(TYPED, 1), received(MODEL, 3), first, second) == (TYPED, 1)


def test_all_forecasts_stay_and_each_providers_newest_is_found() -> None:
    picture = fold([received(TYPED, 1), received(MODEL, 3), received(MODEL, 2), received(OTHER, 4)])
    assert len(picture.forecasts) == 4
    newest = [(name, int(record.body.forecast, 16)) for name, record in newest_of_each(picture).items()]
    assert newest == [(OTHER, 4), (MODEL, 3), (TYPED, 1)]
    assert [int(record.body.forecast, 16) for record in issues_in_force(picture)] == [1]
