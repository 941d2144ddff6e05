"""The envelope of an event, and the schema of the data of each event type."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import islice
from typing import Any, Final

from marshmallow import INCLUDE, ValidationError, fields, validates_schema

from service.faults import MOST_FAULTS, shown
from service.schemas.action_data import (
    HoldLifted,
    HoldPlaced,
    MachineChecked,
    RecipeReleased,
    RecipeWithdrawn,
    TrialConcluded,
    TrialCut,
    TrialPlanned,
)
from service.schemas.event_data import (
    AttemptFinished,
    AttemptInspected,
    AttemptReworked,
    AttemptStarted,
    EventVoided,
    JobClosed,
    JobOpened,
    MachineServiced,
    PlateAssessed,
    PlateClosed,
    PlateReceived,
    ShiftHandedOver,
)
from service.schemas.settings_data import FindingNoted, ProofPlanned, SiteSet
from service.schemas.strict import WHOLE, Errors, StrictSchema
from service.strict_fields import Choice, Identifier, Matching, Strict, Text, UriReference, about, nearest_hint
from service.strict_json import LARGEST_WHOLE
from service.strict_times import Instant
from worker.events import EVENT_TYPES

MOST_EXTENSIONS: Final = 32
_LONGEST_EXTENSION: Final = 1024
_JSON_TYPE: Final = r"application/(?:[a-zA-Z0-9.\-]+\+)?[jJ][sS][oO][nN](?:\s*;.*)?"

DATA_SCHEMAS: Final[dict[str, StrictSchema]] = {
    "cutledger.job.opened": JobOpened(),
    "cutledger.job.closed": JobClosed(),
    "cutledger.plate.received": PlateReceived(),
    "cutledger.plate.assessed": PlateAssessed(),
    "cutledger.plate.closed": PlateClosed(),
    "cutledger.attempt.started": AttemptStarted(),
    "cutledger.attempt.finished": AttemptFinished(),
    "cutledger.attempt.inspected": AttemptInspected(),
    "cutledger.attempt.reworked": AttemptReworked(),
    "cutledger.machine.serviced": MachineServiced(),
    "cutledger.machine.checked": MachineChecked(),
    "cutledger.shift.handed_over": ShiftHandedOver(),
    "cutledger.recipe.released": RecipeReleased(),
    "cutledger.recipe.withdrawn": RecipeWithdrawn(),
    "cutledger.hold.placed": HoldPlaced(),
    "cutledger.hold.lifted": HoldLifted(),
    "cutledger.trial.planned": TrialPlanned(),
    "cutledger.trial.cut": TrialCut(),
    "cutledger.trial.concluded": TrialConcluded(),
    "cutledger.site.set": SiteSet(),
    "cutledger.finding.noted": FindingNoted(),
    "cutledger.proof.planned": ProofPlanned(),
    "cutledger.event.voided": EventVoided(),
}


class DataObject(Strict, fields.Dict):
    """The data of an event, which the schema of its type judges."""

    def read(self, value: Any) -> dict[str, Any]:  # noqa: D102
        if isinstance(value, dict):
            return value
        raise ValidationError(f"must be an object with the fields of the event type; found {shown(value)}")


class EnvelopeSchema(StrictSchema):
    """A CloudEvents 1.0 event in its JSON form."""

    class Meta:
        """Extension attributes are kept."""

        unknown = INCLUDE

    specversion = Choice(("1.0",), required=True, metadata=about("version of CloudEvents", "1.0"))
    id = Identifier(
        required=True,
        metadata=about(
            "id chosen by the sender, unique within its source; one ordered in time (UUIDv7) is best",
            "0197c1f2-5b7e-7c10-9a52-6d0e8f3b2a11",
        ),
    )
    source = UriReference(required=True, metadata=about("who says it", "/terminals/bay-2"))
    type = Choice(tuple(EVENT_TYPES), required=True, metadata=about("event type", "cutledger.attempt.finished"))
    subject = Identifier(required=True, metadata=about("id of what it is about", "A-5001"))
    time = Instant(required=True, metadata=about("when it happened", "2026-03-02T06:15:00+01:00"))
    datacontenttype = Matching(
        _JSON_TYPE,
        "application/json, or left out: data is always JSON",
        metadata=about("media type of data", "application/json"),
    )
    dataschema = Text(1024, metadata=about("schema that the sender followed; kept, not used", "/schemas/cut-1"))
    data = DataObject(required=True, metadata=about("the fields of the event type"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if len(data) <= MOST_EXTENSIONS:
            return {}
        extensions = len(data) - sum(name in self.fields for name in data)
        if extensions > MOST_EXTENSIONS:
            return {WHOLE: [f"has {extensions} extension attributes; at most {MOST_EXTENSIONS} are kept"]}
        return {}

    def unlisted(self, name: str, value: Any) -> Any:
        """Extension attribute: a name of CloudEvents, and a plain value."""
        if name == "data_base64":
            raise ValidationError("data_base64 is not taken; send the fields as a JSON object in data")
        if not (0 < len(name) <= 20 and name.isascii() and name.isalnum() and name == name.lower()):
            hint = nearest_hint(name, tuple(self.fields)) or "; fields of the event type go into data"
            raise ValidationError(f"{shown(name)} is no extension attribute (1 to 20 of a-z, 0-9){hint}")
        if isinstance(value, str):
            return _EXTENSION_TEXT.read(value) if value else value
        if value is None or (isinstance(value, int) and abs(value) <= LARGEST_WHOLE):
            return value
        raise ValidationError(f"must be text, a whole number, true or false; found {shown(value)}")

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def _judge_extensions(self, data: Any, original: Mapping[str, Any], **_: Any) -> None:
        unlisted = (name for name in original if name not in self.fields)
        faulty = ((name, why) for name in unlisted if (why := self._why_unlisted(name, original[name])))
        if errors := dict(islice(faulty, MOST_FAULTS)):
            raise ValidationError(errors)


_EXTENSION_TEXT = Text(_LONGEST_EXTENSION, metadata=about("extension attribute", ""))
ENVELOPE: Final = EnvelopeSchema()
