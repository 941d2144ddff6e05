"""Names of components, and references to them."""

from __future__ import annotations

from marshmallow import Schema

from service.api_document.field_shapes import Shape


def shape_name(schema: type[Schema]) -> str:
    """Component of a schema."""
    return schema.__name__.removesuffix("Schema")


def ref(schema: type[Schema] | str) -> Shape:
    """Reference to the shape of a schema, or of that name."""
    return {"$ref": f"#/components/schemas/{schema if isinstance(schema, str) else shape_name(schema)}"}


def header_ref(name: str) -> Shape:
    """Reference to a header of an answer."""
    return {"$ref": f"#/components/headers/{name}"}


def parameter_ref(name: str) -> Shape:
    """Reference to a parameter of a request."""
    return {"$ref": f"#/components/parameters/{name}"}


def response_ref(name: str) -> Shape:
    """Reference to an answer that several operations give."""
    return {"$ref": f"#/components/responses/{name}"}


def example_ref(name: str) -> Shape:
    """Reference to a named example."""
    return {"$ref": f"#/components/examples/{name}"}
