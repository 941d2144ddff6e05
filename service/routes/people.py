"""What is kept of people: the end of the link between their names and their pseudonyms."""

from __future__ import annotations

from typing import Final

from flask import Response
from flask_smorest import Blueprint

from service.api_document.operations import Reply, operation, path_id
from service.asking import asker, database, needs, only_site
from service.clock import now_us
from service.formats import json_response
from service.schemas.administration_answers import PeopleUnlinked
from worker.administration import Actor
from worker.unlinking import unlink

#: A larger embedded file is not written anew while somebody waits for an answer, and all who write with them.
MOST_BYTES: Final = 64 * 2**20

blueprint = Blueprint("people", __name__, url_prefix="/v1", description="What is kept of people")


@blueprint.route(
    "/sites/<identifier:site>/people/unlinking", methods=["POST"], parameters=path_id("site", "id of the site", "main")
)
@blueprint.doc(**operation(Reply(200, "The link is gone.", PeopleUnlinked), errors=(404,)))
@needs("administer")
def post_people_unlinking(site: str) -> Response:
    """End the link between people and their pseudonyms.

    The site's key for people is destroyed, for good: nobody can tell any more whose a pseudonym of before was, and the
    same person has another one from now on. An event of before that names somebody is a conflict when it is sent again.
    """
    only_site()
    asker().site(site)
    key = asker().key
    actor = Actor(key.key_id, key.name)
    held_up = unlink(database(), site, actor=actor, now_us=now_us(), most_bytes=MOST_BYTES)
    return json_response({"site": site, "erased": held_up is None, "held_up": held_up})
