"""Write a kit list edition as YAML that people read: stable order, short things on one line."""

from io import StringIO
from typing import Any

import yaml

from api.kitlist.schemas import Edition

LINE_WIDTH = 116
_INDENT = 2


def to_plain(edition: Edition) -> dict[str, Any]:
    """The edition as plain values, in the order of the schema, without what is as it would be anyway."""
    plain = edition.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    # The number is always written, though one is its default: people look for it.
    head = {
        "id": plain.pop("id"),
        "title": plain.pop("title"),
        "number": edition.number,
        "dated": edition.dated,
    }
    rest = {key: value for key, value in plain.items() if key not in head}
    return {key: _tidy(value) for key, value in (head | rest).items()}


def to_yaml(edition: Edition, *, heading: str = "") -> str:
    """The edition as YAML text; reading it again gives an equal edition.

    `heading` is put before it as comment lines. Comments of a file that was read are not kept.
    """
    dumper = yaml.SafeDumper(StringIO(), sort_keys=False)
    node = dumper.represent_data(to_plain(edition))
    assert isinstance(node, yaml.MappingNode)
    for key, value in node.value:
        if isinstance(value, yaml.SequenceNode):
            value.flow_style = not value.value
            for item in value.value:
                _lay_out(item, _INDENT, block=key.value == "requirements")
        else:
            _lay_out(value, len(key.value) + 2)
    node.flow_style = False
    text = yaml.serialize(node, Dumper=_Dumper, width=LINE_WIDTH, indent=_INDENT, allow_unicode=True)
    comment = "".join(f"# {line}".rstrip() + "\n" for line in heading.splitlines())
    return comment + _spaced(text)


class _Dumper(yaml.SafeDumper):
    """Indents lists under their key, so that a requirement's own lists stand apart."""

    def increase_indent(self, flow: bool = False, indentless: bool = False) -> None:
        super().increase_indent(flow, False)


def _tidy(value: Any) -> Any:
    """Whole numbers without a decimal point."""
    if isinstance(value, dict):
        return {key: _tidy(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_tidy(part) for part in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _lay_out(node: yaml.Node, column: int, *, block: bool = False) -> None:
    """Put a mapping or list on one line when it fits and need not be a block, else one line an entry."""
    if not isinstance(node, yaml.MappingNode | yaml.SequenceNode):
        return
    node.flow_style = not block and column + _flow_length(node) <= LINE_WIDTH
    if node.flow_style:
        _all_flow(node)
    elif isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            _lay_out(value, column + _INDENT + len(key.value) + 2)
    else:
        for value in node.value:
            _lay_out(value, column + _INDENT)


def _all_flow(node: yaml.Node) -> None:
    if isinstance(node, yaml.MappingNode):
        node.flow_style = True
        for _, value in node.value:
            _all_flow(value)
    elif isinstance(node, yaml.SequenceNode):
        node.flow_style = True
        for value in node.value:
            _all_flow(value)


def _flow_length(node: yaml.Node) -> int:
    if isinstance(node, yaml.MappingNode):
        return 2 + sum(_flow_length(key) + 2 + _flow_length(value) + 2 for key, value in node.value)
    if isinstance(node, yaml.SequenceNode):
        return 2 + sum(_flow_length(value) + 2 for value in node.value)
    return len(str(node.value)) + 2


def _spaced(text: str) -> str:
    """A blank line before each list and each requirement."""
    lines: list[str] = []
    in_requirements = False
    for line in text.splitlines():
        opens_list = line in ("lines:", "requirements:")
        in_requirements = in_requirements or line == "requirements:"
        if opens_list or (in_requirements and line.startswith("  - ") and lines[-1] != "requirements:"):
            lines.append("")
        lines.append(line)
    return "\n".join(lines) + "\n"
