"""Examples of whole answers, put together from the examples of their fields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.api_document.field_shapes import Shape


def example_of(shape: Shape, shapes: Mapping[str, Shape]) -> Any:
    """A value of a shape; `shapes` holds the components that it refers to."""
    if shape.get("examples"):
        return shape["examples"][0]
    if "const" in shape:
        return shape["const"]
    if "enum" in shape:
        return shape["enum"][0]
    if "$ref" in shape:
        return example_of(shapes[shape["$ref"].rpartition("/")[2]], shapes)
    for choices in ("oneOf", "anyOf", "allOf"):
        if choices in shape and "properties" not in shape:
            return example_of(shape[choices][0], shapes)
    return _example_of_type(shape, shapes)


def _example_of_type(shape: Shape, shapes: Mapping[str, Shape]) -> Any:
    kind = shape["type"]
    if kind == "array":
        return [example_of(shape["items"], shapes)]
    if kind == "object":
        return {name: example_of(each, shapes) for name, each in shape["properties"].items()}
    raise LookupError(f"no example of {shape.get('description', kind)}")
