"""All sources over the network, and which of them are configured. Without settings there is none."""

from __future__ import annotations

from collections.abc import Iterator

from api.conditions.sources import edr, metno, nws, openjson
from api.conditions.sources.asking import Source, SourceSettings
from api.settings import Settings

SOURCES: dict[str, Source] = {
    source.kind: source
    for source in (edr.SOURCE, openjson.SINGLE, openjson.ENSEMBLE, metno.SOURCE, nws.SOURCE)
}


def configured(settings: Settings) -> tuple[SourceSettings, ...]:
    """The sources this installation asks, one for each model; none without a contact in `user_agent`."""
    return tuple(_configured(settings)) if settings.forecast_user_agent.strip() else ()


def why_none(settings: Settings) -> str:
    """What is missing when no source is configured; empty when one is."""
    if configured(settings):
        return ""
    if any(_configured(settings)):
        return "Services are named, but RIMAYE_FORECAST_USER_AGENT is empty: they want a contact."
    return "No service is configured. Forecasts can be typed in or read from a file."


def _configured(settings: Settings) -> Iterator[SourceSettings]:
    if settings.forecast_edr_url:
        for collection in _listed(settings.forecast_edr_collections):
            yield SourceSettings(
                kind=edr.KIND,
                base_url=_base(settings.forecast_edr_url),
                model=collection,
                parameters=_listed(settings.forecast_edr_parameters),
                attribution=settings.forecast_edr_attribution,
                licence=settings.forecast_edr_licence,
            )
    key = settings.forecast_openjson_key.get_secret_value()
    for kind, url, models in (
        (openjson.KIND, settings.forecast_openjson_url, settings.forecast_openjson_models),
        (
            openjson.KIND_ENSEMBLE,
            settings.forecast_openjson_ensemble_url,
            settings.forecast_openjson_ensemble_models,
        ),
    ):
        if url:
            for model in _listed(models):
                yield SourceSettings(kind=kind, base_url=_base(url), model=model, key=key)
    if settings.forecast_metno_url:
        yield SourceSettings(kind=metno.KIND, base_url=_base(settings.forecast_metno_url))
    if settings.forecast_nws_url:
        yield SourceSettings(kind=nws.KIND, base_url=_base(settings.forecast_nws_url))


def _base(url: str) -> str:
    return url.strip().rstrip("/")


def _listed(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())
