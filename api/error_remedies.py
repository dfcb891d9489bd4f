"""What to do about each kind of validation error, in a sentence a person can follow."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_REMEDIES: dict[str, str] = {
    "missing": "Give a value for this field.",
    "extra_forbidden": "Leave this field out, or check its spelling.",
    "json_invalid": "Send well-formed JSON with Content-Type application/json.",
    "model_attributes_type": "Send an object with named fields.",
    "dict_type": "Send an object with named fields.",
    "list_type": "Send a list.",
    "string_type": "Send text.",
    "string_too_short": "Write at least {min_length} characters.",
    "string_too_long": "Write at most {max_length} characters.",
    "string_pattern_mismatch": "Write it in the form {pattern}.",
    "int_type": "Write a whole number, for example 3.",
    "int_parsing": "Write a whole number, for example 3.",
    "int_from_float": "Write a whole number, without decimals.",
    "float_type": "Write a number, for example 3.5.",
    "float_parsing": "Write a number, for example 3.5.",
    "finite_number": "Write an ordinary number; infinity and NaN are not accepted.",
    "bool_type": "Send true or false.",
    "bool_parsing": "Send true or false.",
    "greater_than": "Give a number above {gt}.",
    "greater_than_equal": "Give a number of at least {ge}.",
    "less_than": "Give a number below {lt}.",
    "less_than_equal": "Give a number of at most {le}.",
    "too_short": "Give at least {min_length} entries.",
    "too_long": "Give at most {max_length} entries.",
    "enum": "Use one of: {expected}.",
    "literal_error": "Use one of: {expected}.",
    "union_tag_invalid": "Set {discriminator} to one of: {expected_tags}.",
    "union_tag_not_found": "Say in {discriminator} which kind this is.",
    "uuid_type": "Send an identifier such as 0190a6c0-0000-7000-8000-000000000000.",
    "uuid_parsing": "Send an identifier such as 0190a6c0-0000-7000-8000-000000000000.",
    "datetime_type": "Write date and time with offset, for example 2026-07-14T05:30:00+02:00.",
    "datetime_parsing": "Write date and time with offset, for example 2026-07-14T05:30:00+02:00.",
    "datetime_from_date_parsing": "Write date and time with offset, for example 2026-07-14T05:30:00+02:00.",
    "timezone_aware": "Add the offset from UTC, for example +02:00 or Z.",
    "date_type": "Write the date as YYYY-MM-DD, for example 2026-07-14.",
    "date_parsing": "Write the date as YYYY-MM-DD, for example 2026-07-14.",
    "date_from_datetime_parsing": "Write the date as YYYY-MM-DD, for example 2026-07-14.",
    "time_parsing": "Write the time as HH:MM, for example 05:30.",
}
_OTHERWISE = "Correct the value and send it again."


def remedy_for(error: Mapping[str, Any]) -> tuple[str, str]:
    """Message and remedy for one entry of pydantic's error list.

    A validator of ours may raise an exception that carries its own ``remedy``; that one wins.
    """
    context = error.get("ctx") or {}
    raised = context.get("error")
    message = str(raised) if isinstance(raised, Exception) else str(error["msg"])
    message = message.removeprefix("Value error, ")
    if not message.endswith((".", "!", "?")):
        message += "."
    own = getattr(raised, "remedy", None) or context.get("remedy")
    if own:
        return message, str(own)
    template = _REMEDIES.get(error["type"], _OTHERWISE)
    return message, template.format_map(_Blank({key: _plain(value) for key, value in context.items()}))


def _plain(value: Any) -> str:
    return str(value).replace(" or ", ", ")


class _Blank(dict[str, str]):
    """Lets a remedy be written although pydantic gave no value for it."""

    def __missing__(self, key: str) -> str:
        return "what the API description says"
