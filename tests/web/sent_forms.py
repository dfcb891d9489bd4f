"""The last form of a page as a browser without scripts would send it."""

from __future__ import annotations

from html.parser import HTMLParser


class _Form(HTMLParser):
    """The fields of the page's last form as a browser would send them."""

    def __init__(self) -> None:
        super().__init__()
        self.fields: list[tuple[str, str]] = []
        self._select = self._area = ""
        self._first: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.fields = []
        elif tag == "input" and given.get("name"):
            if given.get("type") not in ("checkbox", "radio") or "checked" in given:
                self.fields.append((given["name"], given.get("value", "")))
        elif tag == "select":
            self._select, self._first = given["name"], None
        elif tag == "option" and self._select:
            self._first = given["value"] if self._first is None else self._first
            if "selected" in given:
                self._first = given["value"]
        elif tag == "textarea":
            self._area = given["name"]
            self.fields.append((self._area, ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self.fields.append((self._select, self._first or ""))
            self._select = ""
        elif tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self.fields[-1] = (self._area, self.fields[-1][1] + data.removeprefix("\n"))


def form_of(page: str) -> dict[str, list[str]]:
    """Every field of the last form in the main part of a page, with all values it would send."""
    main = page[page.index('<main id="page"') : page.index("<footer")]
    parser = _Form()
    parser.feed(main)
    found: dict[str, list[str]] = {}
    for name, value in parser.fields:
        found.setdefault(name, []).append(value)
    return found
