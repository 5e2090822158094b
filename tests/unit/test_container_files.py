"""The container files name what exists. (No container engine is needed to know that.)"""

from __future__ import annotations

import json
import re
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[2]
DOCKERFILE = ROOT / "docker" / "Dockerfile"


def _instructions() -> list[tuple[str, str]]:
    text = DOCKERFILE.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    joined = re.sub(r"\\\n\s*", " ", "\n".join(lines))
    return [(word, rest) for word, _, rest in (line.partition(" ") for line in joined.splitlines())]


def _compose() -> dict[str, Any]:
    loaded = yaml.safe_load((ROOT / "docker" / "compose.yaml").read_text(encoding="utf-8"))
    assert isinstance(loaded, dict)
    return loaded


def test_each_copied_path_exists_and_reaches_the_builder() -> None:
    ignore = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    let_through = [line[1:] for line in ignore if line.startswith("!")]
    copies = [rest.split() for word, rest in _instructions() if word == "COPY"]
    sources = [path for *paths, _ in copies if not paths[0].startswith("--") for path in paths]
    assert sources
    for source in sources:
        assert (ROOT / source).exists(), source
        assert any(fnmatch(source.removeprefix("./"), kept) for kept in let_through), source


def test_the_image_serves_data_without_root() -> None:
    instructions = _instructions()
    last = {word: rest for word, rest in instructions}
    assert last["USER"] == "drupe"
    assert last["VOLUME"] == "/data"
    command = json.loads(last["ENTRYPOINT"]) + json.loads(last["CMD"])
    assert command[:4] == ["drupe", "serve", "--data", "/data"]
    assert "--allow-remote" in command
    assert "/health/ready" in last["HEALTHCHECK"]


def test_the_compose_file_builds_that_dockerfile() -> None:
    compose = _compose()
    service = compose["services"]["drupe"]
    context = (ROOT / "docker" / service["build"]["context"]).resolve()
    assert context == ROOT
    assert context / service["build"]["dockerfile"] == DOCKERFILE
    assert service["volumes"] == ["drupe-data:/data"]
    assert "drupe-data" in compose["volumes"]


def test_prometheus_finds_its_files_and_the_service() -> None:
    compose = _compose()
    service = compose["services"]["prometheus"]
    assert service["profiles"] == ["metrics"]
    (mounted,) = [v.split(":")[:2] for v in service["volumes"] if v.startswith("./")]
    folder = (ROOT / "docker" / mounted[0]).resolve()
    config = yaml.safe_load((folder / "prometheus.yml").read_text(encoding="utf-8"))
    assert f"--config.file={mounted[1]}/prometheus.yml" in service["command"]
    assert [(folder / name).is_file() for name in config["rule_files"]] == [True, True]
    (job,) = config["scrape_configs"]
    (target,) = job["static_configs"][0]["targets"]
    name, port = target.split(":")
    assert name in compose["services"]
    exposed = [rest for word, rest in _instructions() if word == "EXPOSE"]
    assert exposed == [port]
