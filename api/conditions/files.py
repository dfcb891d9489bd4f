"""Reading an uploaded forecast: which of the known forms it has, and whose it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from api.conditions.forecast import Forecast, Point
from api.conditions.sources import answers, covjson, csv_profile, spc_text
from api.conditions.sources.asking import Unusable, Window, with_warnings
from api.conditions.sources.covjson import Told
from api.conditions.sources.covjson_document import MAX_BYTES
from api.errors import Invalid, TooLarge
from api.journal.trip import Place

FORMS = "a table (CSV), a sounding (SPC text), or CoverageJSON"
LEVEL_UNITS = ("", "hPa", "Pa", "m")
PREFIX = "file: "
"""Before the provider of everything that came as a file: whoever wrote it could claim to be anyone."""


@dataclass(frozen=True, slots=True)
class Upload:
    """A file as it was sent, with what was said beside it."""

    body: bytes
    filename: str = ""
    source: str = ""
    """Whose forecast it is."""
    issued_at: datetime | None = None
    levels: str = ""
    """Unit of the levels, where the file does not say: hPa, Pa or m above the sea."""


def read(upload: Upload, place: Place, who: str, window: Window, now: datetime) -> Forecast:
    """The forecast in a file. Raises Invalid or TooLarge that says exactly what is wrong with it.

    `window` is what the trip needs; what a reader should know beforehand becomes a warning.
    """
    if len(upload.body) > MAX_BYTES:
        raise TooLarge(f"The file has more than {MAX_BYTES // 1024 // 1024} MB. Leave levels or hours out.")
    if not upload.body.strip():
        raise Invalid.field("file", upload.filename, "is empty", f"Choose {FORMS}.")
    if upload.levels not in LEVEL_UNITS:
        raise Invalid.field("levels", upload.levels, "is no unit of levels", "Use hPa, Pa or m.")
    wanted = Point(place.latitude_deg, place.longitude_deg, place.high_point_m)
    told = Told(
        place=wanted,
        provider=upload.source.strip() or "unnamed",
        issued_at=upload.issued_at,
        levels=upload.levels,
    )
    forecast = _read(upload, told)
    origin = forecast.provenance
    if origin.issued_at > now + answers.CLOCKS_DIFFER:
        raise Invalid.field(
            "issued_at",
            origin.issued_at.isoformat(),
            "The forecast would be issued in the future.",
            "Give the time at which it was issued, with its offset from UTC.",
        )
    named = upload.source.strip() or origin.provider.removeprefix(PREFIX)
    origin = replace(
        origin, provider=f"{PREFIX}{named}"[:120], entered_by=who, source_text=upload.filename[:200]
    )
    forecast = replace(forecast, provenance=origin, place=wanted)
    try:
        return with_warnings(forecast, *answers.oddities(forecast, window, now))
    except Unusable as error:
        remedy = "Choose the file for this trip's place."
        raise Invalid.field("file", upload.filename, str(error), remedy) from None


def _read(upload: Upload, told: Told) -> Forecast:
    start = upload.body.lstrip(b"\xef\xbb\xbf \t\r\n")[:1]
    if start in (b"{", b"["):
        return covjson.read(upload.body, told)
    if start == b"<":
        raise Invalid.field("file", upload.filename, "is a web page", f"Choose {FORMS}.")
    if upload.body[:4] == b"GRIB":
        raise Invalid.field(
            "file",
            upload.filename,
            "is GRIB, which is not read here",
            "Turn it into CoverageJSON with: rimaye forecast grib FILE --lat LAT --lon LON",
        )
    if spc_text.looks_like(upload.body):
        return spc_text.read(upload.body, told)
    return csv_profile.read(upload.body, told)
