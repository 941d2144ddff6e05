"""docker-compose.yml, service/Dockerfile and .dockerignore by their rules; test_compose_running starts them."""

from __future__ import annotations

import fnmatch
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.composition import DOCKERFILE, ROOT, command_of, composition, from_stage, services, stages

# Keys and shapes as the Compose Specification has them: the file schema/compose-spec.json of compose-spec/compose-spec
# at revision 00655e2. Of its keys those are here that the file uses: one that is used newly is looked up there first.
DURATION = {"type": "string", "pattern": r"^(\d+(us|ms|s|m|h))+$"}
SIZE = {"type": "string", "pattern": r"^\d+[bkmg]$"}
NAME = {"type": "string", "pattern": "^[a-zA-Z0-9._-]+$"}
NAMES = {"type": "array", "items": NAME, "uniqueItems": True}
WORDS = {"type": "array", "items": {"type": "string"}}
VARIABLES = {"type": "object", "additionalProperties": {"type": "string"}}


def strictly(properties: dict[str, Any], *required: str) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": list(required), "additionalProperties": False}


HEALTHCHECK = strictly(
    {
        "test": {"type": "array", "minItems": 2, "prefixItems": [{"const": "CMD"}], "items": {"type": "string"}},
        "interval": DURATION,
        "timeout": DURATION,
        "retries": {"type": "integer", "minimum": 1},
        "start_period": DURATION,
        "start_interval": DURATION,
        "disable": {"const": True},
    }
)
CONDITIONS = ["service_started", "service_healthy", "service_completed_successfully"]
SERVICE = strictly(
    {
        "build": strictly({"context": {"const": "."}, "dockerfile": {"type": "string"}, "target": NAME},
                          "context", "dockerfile", "target"),
        "cap_drop": {"const": ["ALL"]},
        "command": WORDS,
        "configs": {"type": "array", "items": strictly({"source": NAME, "target": {"type": "string"}}, "source")},
        "depends_on": {"type": "object", "propertyNames": NAME,
                       "additionalProperties": strictly({"condition": {"enum": CONDITIONS}}, "condition")},
        "deploy": strictly({"replicas": {"type": "integer", "minimum": 1}}),
        "entrypoint": WORDS,
        "environment": VARIABLES,
        "healthcheck": HEALTHCHECK,
        "image": {"type": "string", "pattern": r"^[a-z-]+:[a-z0-9.-]+$", "not": {"pattern": ":latest$"}},
        "init": {"const": True},
        "logging": strictly({"driver": {"const": "json-file"},
                             "options": strictly({"max-size": SIZE, "max-file": {"type": "string"}},
                                                 "max-size", "max-file")}, "driver", "options"),
        "mem_limit": SIZE,
        "networks": NAMES,
        "pids_limit": {"type": "integer", "minimum": 16},
        "ports": {"type": "array", "items": {"type": "string", "pattern": r"^[\d.]+:\d+:\d+$"}},
        "profiles": NAMES,
        "pull_policy": {"enum": ["build"]},
        "read_only": {"const": True},
        "restart": {"enum": ["no", "unless-stopped"]},
        "secrets": NAMES,
        "security_opt": {"const": ["no-new-privileges:true"]},
        "shm_size": SIZE,
        "stop_grace_period": DURATION,
        "stop_signal": {"type": "string", "pattern": "^SIG[A-Z0-9]+$"},
        "tmpfs": WORDS,
        "user": {"type": "string", "pattern": r"^[1-9]\d*:[1-9]\d*$"},
        "volumes": {"type": "array", "items": {"type": "string", "pattern": "^[a-z_]+:/"}},
    },
    # What every container has, so that none is forgotten.
    "cap_drop", "healthcheck", "image", "init", "logging", "mem_limit", "networks", "pids_limit", "read_only",
    "restart", "security_opt", "stop_grace_period", "tmpfs", "user",
)  # fmt: skip


def each(properties: dict[str, Any], *required: str) -> dict[str, Any]:
    return {"type": "object", "propertyNames": NAME, "additionalProperties": strictly(properties, *required)}


FILE = {"file": {"type": "string"}}
COMPOSITION = strictly(
    {
        "name": NAME,
        "services": {"type": "object", "propertyNames": NAME, "additionalProperties": SERVICE},
        "networks": each({"internal": {"type": "boolean"}}),
        "volumes": each({}),
        "secrets": each(FILE, "file"),
        "configs": each(FILE, "file"),
    },
    "name",
    "services",
    "networks",
    "volumes",
    "secrets",
)
COMPOSITION["patternProperties"] = {"^x-": {}}

OURS = ("migrate", "service", "worker", "schedule", "backup")
ONCE = ("migrate", "backup")
ALL = ("postgres", "redis", "proxy", *OURS)


def faults_of(document: dict[str, Any]) -> list[str]:
    found = Draft202012Validator(COMPOSITION).iter_errors(document)
    return [f"{'/'.join(map(str, one.absolute_path))}: {one.message}" for one in found]


def test_every_key_and_value_is_one_of_the_specification() -> None:
    assert faults_of(composition()) == []


@pytest.mark.parametrize(
    ("service", "changes"),
    [
        ("worker", {"healthchek": {}}), ("worker", {"user": "0:0"}), ("worker", {"user": "root"}),
        ("worker", {"read_only": False}), ("worker", {"image": "cutledger:latest"}), ("worker", {"image": "cutledger"}),
        ("worker", {"image": "registry.example/cutledger:1"}), ("worker", {"restart": "sometimes"}),
        ("worker", {"privileged": True}), ("worker", {"cap_drop": []}), ("worker", {"mem_limit": "lots"}),
        ("worker", {"depends_on": {"redis": {"condition": "service_well"}}}), ("worker", {"pids_limit": 0}),
        ("worker", {"healthcheck": {"test": ["CMD-SHELL", "true"]}}), ("worker", {"stop_grace_period": "soon"}),
        ("worker", {"volumes": ["/etc:/etc"]}), ("worker", {"environment": {"A": 1}}), ("worker", {"ports": ["8750"]}),
    ],
)  # fmt: skip
def test_the_rules_see_what_is_wrong(service: str, changes: dict[str, Any]) -> None:
    document = composition()
    document["services"][service] |= changes
    assert faults_of(document)


def test_the_services_are_those_of_a_plant() -> None:
    assert set(services()) == set(ALL)
    assert services()["service"]["deploy"]["replicas"] == 2
    assert services()["worker"]["deploy"]["replicas"] == 2
    assert "deploy" not in services()["schedule"], "one is enough"


@pytest.mark.parametrize("kind", ["networks", "volumes", "secrets", "configs"])
def test_what_is_named_is_declared_and_what_is_declared_is_used(kind: str) -> None:
    used: set[str] = set()
    for service in services().values():
        for one in service.get(kind, []):
            used.add(one["source"] if kind == "configs" else one.split(":")[0])
    assert used == set(composition()[kind])


def test_files_that_are_named_exist_but_secrets_which_each_shop_makes() -> None:
    for config in composition()["configs"].values():
        assert (ROOT / config["file"]).is_file()
    for secret in composition()["secrets"].values():
        assert Path(secret["file"]).parts[0] == "secrets"
    assert "/secrets/" in (ROOT / ".gitignore").read_text().splitlines()


def test_services_wait_for_what_is_there_and_can_say_so() -> None:
    for name, service in services().items():
        for other, how in service.get("depends_on", {}).items():
            assert other in services(), name
            needed = "service_completed_successfully" if other in ONCE else "service_healthy"
            assert how["condition"] == needed, (name, other)
            if needed == "service_healthy":
                assert "test" in services()[other]["healthcheck"]
    for name in ("service", "worker", "schedule"):
        assert "migrate" in services()[name]["depends_on"]


def test_all_that_stay_have_a_health_check_and_start_again_and_those_that_run_once_have_neither() -> None:
    for name, service in services().items():
        assert ("test" in service["healthcheck"]) == (name not in ONCE), name
        assert service["restart"] == ("no" if name in ONCE else "unless-stopped"), name


def test_only_the_proxy_is_reached_from_outside_and_on_this_host_alone() -> None:
    ports = {name: service["ports"] for name, service in services().items() if "ports" in service}
    assert ports == {"proxy": ["127.0.0.1:8750:8080"]}
    assert services()["proxy"]["networks"] == ["edge"]
    assert composition()["networks"]["internal"] == {"internal": True}
    for name in ("postgres", "redis", "worker", "schedule", "migrate", "backup"):
        assert services()[name]["networks"] == ["internal"], name


def test_no_secret_stands_in_the_file() -> None:
    text = (ROOT / "docker-compose.yml").read_text()
    for name, service in services().items():
        for variable, value in service.get("environment", {}).items():
            if re.search("PASSWORD|SECRET|TOKEN|KEY", variable):
                assert variable.endswith("_FILE"), (name, variable)
                assert value.removeprefix("/run/secrets/") in service["secrets"], (name, variable)
    assert not re.search(r"://[^/\s@]*:[^/\s@]*@", text), "a password in an address"


def test_ours_run_as_the_user_of_the_image_with_a_command_that_exists() -> None:
    for name in OURS:
        service = services()[name]
        target = service["build"]["target"]
        assert (ROOT / service["build"]["dockerfile"]) == DOCKERFILE
        assert service["user"] == from_stage(target, "USER") == "10001:10001"
        assert command_of(service)[0] == "cutledger"
        assert from_stage(target, "ENTRYPOINT") == '["cutledger"]'


def test_images_of_ours_carry_the_release() -> None:
    release = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert {services()[name]["image"].split(":")[1] for name in OURS} == {release}


def test_the_tools_for_backups_are_of_the_release_of_the_server() -> None:
    (installed,) = re.findall(r"postgresql-client-(\d+)", DOCKERFILE.read_text())
    assert services()["postgres"]["image"].startswith(f"postgres:{installed}-")


def test_containers_that_stop_are_given_the_time_that_they_take() -> None:
    drain = int(command_of(services()["service"])[-1])
    assert drain + 20 < int(services()["service"]["stop_grace_period"].removesuffix("s"))


# --- the image --------------------------------------------------------------------------------------------------------


def test_the_image_is_built_in_stages_and_runs_as_nobody_of_note() -> None:
    assert list(stages()) == ["build", "run", "backup"]
    for name in ("run", "backup"):
        assert stages()[name].last("USER") == "10001:10001"
        assert [word for word, _ in stages()[name].instructions if word in ("USER", "CMD")][-1] == "CMD"
    assert "RUN" not in [word for word, _ in stages()["backup"].instructions[4:]], (
        "nothing is run after the user is set"
    )


def test_images_are_built_on_a_release_never_on_the_latest() -> None:
    for stage in stages().values():
        if stage.base not in stages():
            assert re.fullmatch(r"python:3\.\d+-slim-[a-z]+", stage.base), stage.base
            assert "/" not in stage.base, "no host of a registry"


def test_nothing_is_fetched_into_the_image_but_packages() -> None:
    for stage in stages().values():
        for word, rest in stage.instructions:
            assert word != "ADD"
            assert not re.search(r"https?://|\b(curl|wget|git clone)\b", rest), rest


def copied() -> list[str]:
    found: list[str] = []
    for stage in stages().values():
        for word, rest in stage.instructions:
            if word == "COPY" and not rest.startswith("--from="):
                found.extend(rest.split()[:-1])
    return found


def ignored(path: str) -> bool:
    """True when .dockerignore keeps a path out: its last line that matches the path, or a folder above, decides."""
    out = False
    for line in (ROOT / ".dockerignore").read_text().splitlines():
        pattern = line.strip().lstrip("!").rstrip("/")
        if not pattern or line.startswith("#"):
            continue
        parts = path.split("/")
        above = ["/".join(parts[: n + 1]) for n in range(len(parts))]
        bare = pattern.removeprefix("**/")
        if any(fnmatch.fnmatch(one, pattern) for one in above) or (bare != pattern and bare in parts):
            out = not line.startswith("!")
    return out


@pytest.mark.parametrize("source", copied())
def test_what_is_copied_into_the_image_is_there_and_sent_to_the_builder(source: str) -> None:
    assert (ROOT / source).exists()
    assert not ignored(source.rstrip("/"))


@pytest.mark.parametrize(
    "path", [".git/config", ".venv/bin/python", "secrets/database_password", "data/cutledger.sqlite3", "tests/grown.py",
             "docker-compose.yml", "worker/__pycache__/tables.cpython-311.pyc"],
)  # fmt: skip
def test_what_an_image_does_not_need_is_not_sent_to_the_builder(path: str) -> None:
    assert ignored(path)


def test_all_that_the_package_needs_is_copied() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    packages = {one.split(".")[0] for one in project["tool"]["setuptools"]["packages"]["find"]["include"]}
    needed = {*(f"{name}/" for name in packages), project["project"]["readme"], *project["project"]["license-files"]}
    assert needed <= set(copied())
