"""docker-compose.yml and service/Dockerfile as data, for the tests of what they say and of what they start."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).parent.parent
DOCKERFILE = ROOT / "service" / "Dockerfile"
VARIABLE = re.compile(r"\$\{(\w+):-([^}]*)\}")


class _Strict(yaml.SafeLoader):
    """YAML whose keys each come once, as Compose reads it."""


def _mapping(loader: _Strict, node: yaml.MappingNode) -> dict[Any, Any]:
    written = [key.value for key, _ in node.value if key.value != "<<"]
    twice = {key for key in written if written.count(key) > 1}
    assert not twice, f"{node.start_mark}: {twice} twice"
    loader.flatten_mapping(node)
    return dict(loader.construct_pairs(node, deep=True))


_Strict.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _mapping)


def composition() -> dict[str, Any]:
    """The file as Compose reads it, with its variables at their defaults."""
    text = (ROOT / "docker-compose.yml").read_text()
    return yaml.load(VARIABLE.sub(lambda found: found[2], text), _Strict)  # noqa: S506


def services() -> dict[str, dict[str, Any]]:
    return composition()["services"]


@dataclass(frozen=True)
class Stage:
    """A stage of the Dockerfile: what it is built on, its name, its instructions in order."""

    base: str
    name: str
    instructions: list[tuple[str, str]]

    def last(self, instruction: str) -> str | None:
        found = [rest for word, rest in self.instructions if word == instruction]
        return found[-1] if found else None


@cache
def stages() -> dict[str, Stage]:
    """The stages of the Dockerfile by name."""
    lines = [line for line in DOCKERFILE.read_text().splitlines() if not line.lstrip().startswith("#")]
    found: dict[str, Stage] = {}
    for line in "\n".join(lines).replace("\\\n", " ").splitlines():
        if not line.strip():
            continue
        word, rest = line.split(maxsplit=1)
        if word == "FROM":
            base, _, name = rest.partition(" AS ")
            stage = Stage(base, name, [])
            found[name] = stage
        else:
            stage.instructions.append((word, rest.strip()))
    return found


def from_stage(name: str, instruction: str) -> str | None:
    """The last word of a stage, or of those that it is built on, with an instruction."""
    stage: Stage | None = stages()[name]
    while stage is not None:
        if (said := stage.last(instruction)) is not None:
            return said
        stage = stages().get(stage.base)
    return None


def command_of(service: dict[str, Any]) -> list[str]:
    """The command line that a container of ours runs: entrypoint of the image or the file, command of either."""
    target = service["build"]["target"]
    entrypoint = service.get("entrypoint") or json.loads(from_stage(target, "ENTRYPOINT") or "[]")
    command = service.get("command") or json.loads(from_stage(target, "CMD") or "[]")
    return [*entrypoint, *command]
