"""Traces by OpenTelemetry: off, and nothing of it loaded, unless a collector's address is set."""

from __future__ import annotations

from collections.abc import Callable

from api import __version__
from api.settings import Settings


class TracingMissing(Exception):
    """Traces are asked for, and what sends them is not installed."""


def begin(settings: Settings) -> Callable[[], None]:
    """Send traces to where ``settings`` say. Returns what ends it: what is left is sent, waiting shortly.

    Raises TracingMissing when the packages that send them are not installed.
    """
    if not settings.trace_url:
        return _nothing
    try:
        from opentelemetry import trace
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.trace import TracerProvider
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ImportError as error:
        raise TracingMissing(
            "RIMAYE_TRACE_URL is set, but what sends traces is not installed. Run: pip install "
            "'rimaye[tracing]', or take the setting away."
        ) from error
    about = Resource.create({"service.name": "rimaye", "service.version": __version__})
    provider = TracerProvider(resource=about)
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter(settings.trace_url, timeout=2)))
    trace.set_tracer_provider(provider)
    return provider.shutdown


def _nothing() -> None:
    """There is nothing to end."""
