"""What a browser without scripts does: read a page, fill its forms in, send them."""

import re
from html import unescape
from html.parser import HTMLParser

HTML = {"accept": "text/html"}


class Fields(HTMLParser):
    """What a browser would send of each form, by its action: the form as it stands."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.forms: list[tuple[str, dict[str, list[str]]]] = []
        self._select: tuple[str, list[str], bool] | None = None
        self._area: str | None = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        got = dict(attrs)
        if tag == "form":
            self.forms.append((got.get("action", ""), {}))
        if not self.forms:
            return
        fields = self.forms[-1][1]
        name = got.get("name")
        if tag == "input" and name and got.get("type") != "file":
            if got.get("type") in ("checkbox", "radio") and "checked" not in got:
                return
            fields.setdefault(name, []).append(got.get("value") or "")
        elif tag == "textarea" and name:
            self._area = name
            fields[name] = [""]
        elif tag == "select" and name:
            self._select = (name, fields.setdefault(name, []), False)
        elif tag == "option" and self._select:
            name, values, _ = self._select
            if "selected" in got or not values:
                values[:] = [got.get("value", "")]

    def handle_endtag(self, tag):
        if tag == "select":
            self._select = None
        if tag == "textarea":
            self._area = None

    def handle_data(self, data):
        if self._area and self.forms:
            self.forms[-1][1][self._area][0] += data


def form_of(text: str, action: str) -> dict[str, list[str]]:
    """The fields of the first form with this action."""
    return next(fields for where, fields in Fields(text).forms if where == action)


def get(client, path):
    answer = client.get(path, headers=HTML)
    assert answer.status_code == 200, words_of(answer.text)
    return answer.text


def post(client, path, fields, **changes):
    return client.post(path, data=dict(fields) | changes, headers=HTML, follow_redirects=False)


def words_of(text: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())


def roster(client, trip):
    return client.get(f"/api/trips/{trip}").json()


def person_id(client, trip, name):
    return next(m["id"] for m in roster(client, trip)["members"] if m["profile"]["name"] == name)


def second_rope(client, trip):
    return roster(client, trip)["ropes"][1]["id"]
