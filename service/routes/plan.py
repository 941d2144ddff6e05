"""Planning: how many parts to start, with what, and what that takes. It writes nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import ValidationError

from service.api_document.planning import GET_PLAN, POST_PLAN
from service.asking import asked_site, database, needs
from service.clock import now_us
from service.conditional import etag_of, tagged, unchanged
from service.faults import Fault, first_faults
from service.formats import JSON, table_response
from service.objects import read_object, wrong_field, wrong_fields
from service.problems import Problem
from service.routes.reports import ANSWER_PARAMETERS, asked_media_type
from service.schemas.plan import ONE_PLAN, PLAN_LIST
from service.schemas.strict import faults_of
from service.strict_fields import Number, ThicknessInch, Whole
from worker.cautions import CAUTIONS
from worker.planning.orders import MOST_PARTS_IN_TABLE, Order, PlanUnanswerable, read_orders
from worker.planning.plain import plan_plain, plan_row
from worker.planning.plans import DEFAULT_ASSURANCE, LAST, Past, plan
from worker.reports.expected_yield import CONFIDENCE
from worker.reports.plain import as_of_plain, json_bytes
from worker.reports.questions import Askable, Question, QuestionUnanswerable, Wrong, read_question
from worker.reports.reading import Reader, open_site

blueprint = Blueprint("plan", __name__, url_prefix="/v1", description="What planning should start, and expect")

#: Which past counts.
_PAST: Final = ("from", "to", "last", "purpose", "bevel")
#: Past parts of all purposes speak of the cut.
_ASKABLE: Final = Askable(by=(), last=LAST, purposes=())
_NUMBER: Final = re.compile(r"-?[0-9]{1,30}(\.[0-9]{1,30})?", re.ASCII)
#: Fields of one plan that are numbers.
_NUMBERS: Final = tuple(name for name, field in ONE_PLAN.fields.items() if isinstance(field, (Whole, Number)))


@blueprint.route("/plan", methods=["GET"])
@blueprint.doc(**GET_PLAN)
@needs("read")
def get_plan() -> Response:
    """Plan an order.

    How many parts to start so that enough are good with the chance asked for, at once or in two lots; machine and
    rework minutes, scrap, cost and plates, each with its range; and how much of it is due to not knowing the yield
    better. From first attempts of the past; what is not asked for is what promises most, or the mix of the past.
    """
    site, media_type = asked_site(), asked_media_type()
    _refuse_others((*ANSWER_PARAMETERS, *_PAST, *ONE_PLAN.fields))
    item = _asked_item()
    now = now_us()
    with database().read() as connection:
        reader = open_site(connection, site)
        question = _question(reader, now)
        place = reader.calendar.place(now)
        asked = sorted((name, str(value)) for name, value in item.items())
        what = (place.day, *question.words, asked, *as_of_plain(reader.as_of).values())
        etag = etag_of(site, reader.revision, "plan", media_type, *what)
        if (answer := unchanged(etag)) is not None:
            return answer
        try:
            (order,) = read_orders(reader, [item], place.settings)
        except PlanUnanswerable as error:
            raise QuestionUnanswerable([Wrong(one.field, one.detail) for one in error.wanting]) from None
        past = Past(reader, question, place.settings, place.day, [order])
        assurance = float(item.get("assurance", DEFAULT_ASSURANCE))
        plain = plan_plain(plan(past, order, assurance=assurance, with_top_up=True))
    head = _head(reader, question, assurance)
    return tagged(_rendered(reader, head | {"plan": plain}, [plain], media_type), etag)


@blueprint.route("/plan", methods=["POST"])
@blueprint.doc(**POST_PLAN)
@needs("read")
def post_plan() -> Response:
    """Plan a list of orders.

    Can we cut that? For each the machine, the starts, minutes, cost and assurance, or why it cannot be said; each as if
    it were the only one. Nothing is kept of it.
    """
    site, media_type = asked_site(), asked_media_type()
    _refuse_others((*ANSWER_PARAMETERS, *_PAST))
    asked, _ = read_object(PLAN_LIST)
    now = now_us()
    with database().read() as connection:
        reader = open_site(connection, site)
        question, place = _question(reader, now), reader.calendar.place(now)
        try:
            orders = read_orders(reader, asked["parts"], place.settings)
        except PlanUnanswerable as error:
            raise _wrong_items(error) from None
        _refuse_too_many(orders)
        past = Past(reader, question, place.settings, place.day, orders)
        assurance = float(asked.get("assurance", DEFAULT_ASSURANCE))
        plans = [plan_plain(plan(past, order, assurance=assurance, with_top_up=False)) for order in orders]
    return _rendered(reader, _head(reader, question, assurance) | {"plans": plans}, plans, media_type)


# --- what is asked ----------------------------------------------------------------------------------------------


def _refuse_others(known: Sequence[str]) -> None:
    wrong = [Wrong(name, "is no parameter here") for name in request.args if name not in known]
    wrong += [
        Wrong(name, f"is given {len(values)} times; give it once")
        for name, values in request.args.lists()
        if name in known and len(values) > 1
    ]
    if wrong:
        raise QuestionUnanswerable(wrong)


def _asked_item() -> dict[str, Any]:
    """The parameters as the item of a list would state them: one schema judges both."""
    sent = {name: _value(name, text) for name, text in request.args.items() if name in ONE_PLAN.fields}
    try:
        return dict(ONE_PLAN.load(sent))
    except ValidationError as error:
        faults = first_faults(faults_of(error.messages, ""))
        raise QuestionUnanswerable([_of_parameter(fault) for fault in faults]) from None


def _of_parameter(fault: Fault) -> Wrong:
    """A fault of a field as that of a parameter, which has no quotes to leave out."""
    detail = fault.detail.replace("; write it without quotes and", "; write it").replace(
        "; write it without quotes", "; write it in plain digits"
    )
    return Wrong(fault.pointer.removeprefix("/"), detail)


def _value(name: str, text: str) -> Any:
    is_number = name in _NUMBERS or (isinstance(ONE_PLAN.fields[name], ThicknessInch) and "/" not in text)
    return Decimal(text) if is_number and _NUMBER.fullmatch(text) else text


def _question(reader: Reader, now: int) -> Question:
    place = reader.calendar.place(now)
    past = {name: request.args.getlist(name) for name in _PAST if name in request.args}
    return read_question(past, today=place.day, settings=place.settings, askable=_ASKABLE)


def _wrong_items(error: PlanUnanswerable) -> Problem:
    faults = first_faults(Fault(f"/parts/{one.place}/{one.field}", one.detail) for one in error.wanting)
    return wrong_fields(faults)


def _refuse_too_many(orders: Sequence[Order]) -> None:
    parts = sum(order.parts for order in orders)
    if parts > MOST_PARTS_IN_TABLE:
        raise wrong_field(
            "/parts", f"asks for {parts} parts together; ask for at most {MOST_PARTS_IN_TABLE}, in several lists"
        )


# --- what is answered -------------------------------------------------------------------------------------------


def _head(reader: Reader, question: Question, assurance: float) -> dict[str, Any]:
    return {
        "site": reader.site,
        "window": {"first_day": question.first_day, "last_day": question.last_day},
        "assurance": assurance,
        "confidence": CONFIDENCE,
        "as_of": as_of_plain(reader.as_of),
        "cautions": CAUTIONS,
    }


def _rendered(
    reader: Reader, whole: Mapping[str, Any], plans: Sequence[Mapping[str, Any]], media_type: str
) -> Response:
    if media_type == JSON:
        return Response(json_bytes(whole), mimetype=JSON)
    rows = [plan_row(one) for one in plans]
    notes = [f"{number}: {note}" for number, one in enumerate(plans, 1) for note in one["notes"]]
    window = dict(zip(("from", "to"), whole["window"].values(), strict=True))
    told = {**whole, "window": window, "notes": notes}
    return table_response(media_type, f"{reader.site}-plan", list(rows[0]), rows, told)
