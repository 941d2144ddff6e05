"""What the terminal keeps for when the network is gone: read by its script, written by nobody."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from flask import Response, request

from service.asking import asker, database, needs
from service.clock import now_us
from service.formats import json_response
from service.pages.blueprint import blueprint, page_site, token
from service.pages.languages import lang_of, language, spoken
from service.problems import Problem
from service.schemas.queries import ID_LENGTH, NO_PARAMETER
from worker.reports.questions import given_often
from worker.reports.reading import instant, open_site
from worker.sentences import sentence
from worker.terminals import known


@blueprint.route("/terminal/known")
@needs("write")
def terminal_known() -> Response:
    """Give what is useful at a machine, and as whom its entries are posted."""
    site, machine, now = page_site(), machine_asked(), now_us()
    with database().read() as connection:
        reader = open_site(connection, site)
        found = known(reader, own=asker().own_sources, machine=machine, now_us=now)
        zone = reader.calendar.place(now).settings.zone
    for kind in ("findings", "holds", "notices"):
        found[kind] = [
            one | {"detail": spoken(one["detail"]), "lang": lang_of(one["detail"]) or language()} for one in found[kind]
        ]
    told = {
        "site": site, "zone": zone, "now": instant(now), "token": token(), "source": terminal_source(),
        "language": language(),
    }  # fmt: skip
    response = json_response(told | found)
    # It holds the session's token.
    response.headers["Cache-Control"] = "no-store"
    return response


def terminal_source() -> str:
    """As whom this key posts what is entered on pages: its prefix, else a name that follows from its id."""
    key = asker().key
    return key.source_prefix or f"/terminals/{key.key_id}"


_TAKEN: Final = ("site", "machine")


def machine_asked(taken: Sequence[str] = _TAKEN) -> str | None:
    """The machine that the address names, if any; raises a Problem 422 for a parameter that is not taken."""
    wrong: dict[str, str] = {name: NO_PARAMETER for name in request.args if name not in taken}
    names = request.args.getlist("machine")
    # A form in which nothing is chosen sends an empty one.
    name = names[0].strip() if names else ""
    if len(names) > 1:
        wrong["machine"] = given_often(len(names))
    elif len(name) > ID_LENGTH or not name.isprintable():
        wrong["machine"] = sentence("must be a name of at most %(most)s printable characters", most=ID_LENGTH)
    if wrong:
        detail = "; ".join(f"{parameter} {what}" for parameter, what in wrong.items())
        errors = [{"parameter": parameter, "detail": what} for parameter, what in wrong.items()]
        raise Problem(422, "parameters", detail, errors)
    return name or None
