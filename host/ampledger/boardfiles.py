"""
Which files go where on a board.

`firmware/package.json` is the list, for `mpremote mip install` as well; this
module finds the files it names, in a clone as well as in an installed wheel.
"""

from __future__ import annotations

import json
from pathlib import Path

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


def copy_firmware(folder: Path) -> list[Path]:
    """Write all files of the board below `folder`, as they stand on its flash. Returns what was written."""
    written = []
    for to, source in firmware().items():
        target = folder / to
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(source.read_bytes())
        written.append(target)
    return written
