"""
Which files go where on a board.

`firmware/package.json` is the list, for `mpremote mip install` as well; this
module finds the files it names, in a clone as well as in an installed wheel.
"""

from __future__ import annotations

import ast
import importlib.util
import json
from pathlib import Path
from typing import Any

from ampledger.errors import ConfigError

_HERE = Path(__file__).resolve().parent


def _home(name: str) -> Path:
    """Folder `name` of the project: inside the wheel, or at the top of a clone."""
    inside = _HERE / name
    return inside if inside.is_dir() else _HERE.parents[1] / name


def firmware() -> dict[str, Path]:
    """Target path on the board -> file here, boot.py and main.py included."""
    root = _home("firmware")
    listed = json.loads((root / "package.json").read_text(encoding="utf-8"))["urls"]
    files = {f"lib/{to}": _HERE / "wire.py" if to.endswith("/wire.py") else root / frm for to, frm in listed}
    files |= {"boot.py": root / "boot.py", "main.py": root / "main.py"}
    return files


def board_toml() -> Path:
    """The file that defines the board."""
    return _home("hardware") / "board.toml"


def config(text: str | None = None) -> dict[str, Any]:
    """Names and values of a config.py, ours unless `text` is another's."""
    if text is None:
        text = firmware()["lib/ampboard/config.py"].read_text(encoding="utf-8")
    values = {}
    for line in ast.parse(text).body:
        if isinstance(line, ast.Assign) and isinstance(line.targets[0], ast.Name):
            values[line.targets[0].id] = ast.literal_eval(line.value)
    return values


def config_text(board: dict[str, Any]) -> str:
    """config.py of another build, given its parsed toml. Raises ConfigError where there is no clone."""
    path = _home("hardware") / "generate.py"
    spec = importlib.util.spec_from_file_location("ampledger_hardware_generate", path)
    if spec is None or spec.loader is None or not path.exists():
        raise ConfigError(f"{path} is not there: another build of the board needs a clone of the project.")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    text: str = module.config_text(board)
    return text


def copy_firmware(folder: Path, config: str | None = None) -> list[Path]:
    """
    Write all files of the board below `folder`, as they stand on its flash. Returns what was written.

    config : text of a config.py to use in place of ours.
    """
    written = []
    for to, source in firmware().items():
        target = folder / to
        target.parent.mkdir(parents=True, exist_ok=True)
        ours = config is None or to != "lib/ampboard/config.py"
        target.write_bytes(source.read_bytes() if ours else (config or "").encode())
        written.append(target)
    return written
