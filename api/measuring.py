"""What the service measures about itself, in Prometheus's terms."""

from __future__ import annotations

from collections.abc import Mapping

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

_BUCKETS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
OUTCOMES = ("stored", "already-there", "refused")
"""What can become of an entry that was handed in."""


class Measurements:
    """What is measured; one registry an app, so that two apps in a process do not mix."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.seconds = Histogram(
            "rimaye_request_seconds",
            "Time from request to the end of its answer, by route template.",
            ("method", "route"),
            buckets=_BUCKETS_S,
            registry=self.registry,
        )
        self.answers = Counter(
            "rimaye_answers",
            "Answers by route template and status.",
            ("method", "route", "status"),
            registry=self.registry,
        )
        self.open = Gauge(
            "rimaye_requests_open", "Requests being answered, open streams included.", registry=self.registry
        )
        self.append_seconds = Histogram(
            "rimaye_append_seconds",
            "Time from when entries were taken up, the turn to write already come, until they were safely "
            "stored.",
            buckets=_BUCKETS_S,
            registry=self.registry,
        )
        self.entries = Counter(
            "rimaye_entries",
            "Entries handed in, by what became of them: stored, already-there or refused.",
            ("outcome",),
            registry=self.registry,
        )
        for outcome in OUTCOMES:
            self.entries.labels(outcome)
        self.evaluation_seconds = Histogram(
            "rimaye_evaluation_seconds",
            "Time to evaluate a trip anew, at the head of its journal or as a what-if.",
            buckets=_BUCKETS_S,
            registry=self.registry,
        )
        self.streams = Gauge(
            "rimaye_streams_open", "Open streams of events, each one a screen.", registry=self.registry
        )
        self.writers_waiting = Gauge(
            "rimaye_writers_waiting", "Units of work that wait for their turn.", registry=self.registry
        )
        self.forecast_age = Gauge(
            "rimaye_forecast_age_seconds",
            "Age of the issue that the worst served trip has, of those not over yet, by provider.",
            ("provider",),
            registry=self.registry,
        )

    def entry(self, outcome: str) -> None:
        """An entry was handed in."""
        self.entries.labels(outcome).inc()

    def forecasts(self, ages_s: Mapping[str, float]) -> None:
        """How old forecasts are now, by provider. [s]"""
        self.forecast_age.clear()
        for provider, age_s in ages_s.items():
            self.forecast_age.labels(provider).set(age_s)
