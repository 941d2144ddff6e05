"""Schemas made of strict fields: one definition, judged by marshmallow, read quickly when nothing is wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final

from marshmallow import RAISE, Schema, ValidationError, fields, pre_load, validates_schema

from service.faults import MOST_FAULTS, Fault, below, shown
from service.strict_fields import About, Strict, with_nearest
from worker.sentences import joined, sentence

#: Stands among the names of fields for the object as a whole; no name that a sender could give is equal to it.
WHOLE: Final = object()
Errors = dict[Any, Any]


class StrictSchema(Schema):
    """An object of strict fields: an unknown name is refused, null is not given, the fields agree with each other."""

    class Meta:
        """Said although it is marshmallow's own default: the OpenAPI document says it only then."""

        unknown = RAISE

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self._readers: dict[str, Callable[[Any], Any]] = {}
        for name, field in self.fields.items():
            if not isinstance(field, Strict) or field.validators:
                raise TypeError(f"{type(self).__name__}.{name} must be a strict field without further validators")
            self._readers[name] = field.read
        self._required = frozenset(name for name, field in self.fields.items() if field.required)

    def read(self, value: Any) -> dict[str, Any]:
        """What load() returns for a value without faults, in a tenth of the time; else a bare ValidationError.

        Whoever needs to know what is wrong, and where, then asks load().
        """
        if not isinstance(value, dict):
            raise ValidationError("no object")
        loaded = {}
        for name, each in value.items():
            reader = self._readers.get(name)
            if reader is None:
                loaded[name] = self.unlisted(name, each)
            elif each is not None:
                loaded[name] = reader(each)
        if not self._required <= loaded.keys() or self.disagreements(loaded):
            raise ValidationError("fields are missing or disagree")
        return loaded

    def disagreements(self, data: Mapping[str, Any]) -> Errors:
        """Messages about fields that do not go together, by the field to change (or WHOLE); `data` is as loaded."""
        return {}

    def unlisted(self, name: str, value: Any) -> Any:
        """What a field that the schema does not list is read as; it is refused unless a schema says otherwise."""
        what = sentence("%(name)s is no field here", name=shown(name))
        hinted = with_nearest(what, name, tuple(self.fields))
        raise ValidationError(joined("; ", (what, sentence("remove it"))) if hinted == what else hinted)

    @pre_load
    def _leave_nulls_out(self, data: Any, **_: Any) -> Any:
        if not isinstance(data, dict):
            return data
        return {name: value for name, value in data.items() if value is not None or name not in self.fields}

    @validates_schema
    def _compare_fields(self, data: Mapping[str, Any], **_: Any) -> None:
        if errors := self.disagreements(data):
            raise ValidationError(errors)

    def handle_error(self, error: ValidationError, data: Any, *, many: bool, **_: Any) -> None:
        """Say of the first unknown fields which ones were probably meant; a nearest word costs too much for all."""
        if not isinstance(error.messages, dict):
            return
        unknown = [name for name in data if name in error.messages and name not in self.fields]
        # Put back in the order sent: marshmallow goes through a set.
        for name in unknown:
            del error.messages[name]
        for name in unknown[:MOST_FAULTS]:
            error.messages[name] = self._why_unlisted(name, data[name])

    def _why_unlisted(self, name: str, value: Any) -> list[str]:
        try:
            self.unlisted(name, value)
        except ValidationError as error:
            return list(error.messages)
        return []


class Record(Strict, fields.Nested):
    """An object with fields of its own."""

    def __init__(self, nested: type[StrictSchema], *, metadata: About, required: bool = False) -> None:
        super().__init__(metadata=metadata, required=required, nested=nested)

    def read(self, value: Any) -> dict[str, Any]:  # noqa: D102
        return self._strict.read(value)

    @property
    def _strict(self) -> StrictSchema:
        schema: StrictSchema = self.schema  # type: ignore[assignment]
        return schema

    def _deserialize(  # type: ignore[override]  # `partial` has no place here
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Any:
        if not isinstance(value, dict):
            raise ValidationError(sentence("must be an object with fields; found %(found)s", found=shown(value)))
        return self._strict.load(value)


class Rows(Strict, fields.List[Any]):
    """A list of at most `most` values of one kind; null is none of them."""

    def __init__(self, inner: Strict, most: int, *, metadata: About, required: bool = False) -> None:
        self.most = most
        inner.allow_none = False
        super().__init__(metadata=metadata, required=required, limits={"maxItems": most}, cls_or_instance=inner)

    def read(self, value: Any) -> list[Any]:  # noqa: D102
        self._refuse_other_shapes(value)
        return [self._strict.read(each) for each in value]

    @property
    def _strict(self) -> Strict:
        inner: Strict = self.inner  # type: ignore[assignment]
        return inner

    def _refuse_other_shapes(self, value: Any) -> None:
        if not isinstance(value, list):
            must = sentence("must be a list; found %(found)s; write it in brackets", found=shown(value))
            raise ValidationError(must)
        if len(value) > self.most:
            must = sentence("must have at most %(most)s entries; found %(found)s", most=self.most, found=shown(value))
            raise ValidationError(must)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> Any:
        self._refuse_other_shapes(value)
        loaded, errors = [], {}
        for index, each in enumerate(value):
            try:
                loaded.append(self._strict._deserialize(each, attr, data))
            except ValidationError as error:
                errors[index] = error.messages
        if errors:
            raise ValidationError(errors)
        return loaded


def faults_of(messages: object, pointer: str) -> Iterator[Fault]:
    """The messages of a ValidationError as faults with pointers below `pointer`."""
    if isinstance(messages, dict):
        for name, each in messages.items():
            yield from faults_of(each, pointer if name is WHOLE else below(pointer, name))
    elif isinstance(messages, Iterable) and not isinstance(messages, str):
        for each in messages:
            yield from faults_of(each, pointer)
    else:
        yield Fault(pointer, messages if isinstance(messages, str) else str(messages))
