"""Which file holds what, and how it is written."""

import json
from pathlib import Path
from typing import Final

import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder

from dashboards.make import pictures
from dashboards.make.cases import tests_file
from dashboards.make.rules import rules_file

FOLDER: Final = Path(__file__).parents[1]
_HEAD: Final = "# Made by `make dashboards` from dashboards/make/{module}.py: change that file.\n"


def all_files() -> dict[Path, str]:
    """Every file that is made, with its content."""
    made = {
        FOLDER / "rules.yml": _yaml("rules", rules_file()),
        FOLDER / "rules_test.yml": _yaml("cases", tests_file()),
    }
    for board in pictures.DASHBOARDS:
        text = json.dumps(board.built(), cls=JSONEncoder, indent=1, ensure_ascii=False)
        made[FOLDER / "grafana" / f"{board.uid}.json"] = text + "\n"
    return made


def _yaml(module: str, content: dict[str, object]) -> str:
    text: str = yaml.safe_dump(content, sort_keys=False, width=100, allow_unicode=True)
    return _HEAD.format(module=module) + text
