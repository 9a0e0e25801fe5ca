"""The library's calls, from their docstrings. Writes calibration/pages/api.md.

    python calibration/api_page.py

What is listed is what commands and page themselves use: every public function and class that they import from the
library's modules, in the order in which data flow.
A test compares the page with the code.
"""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "calibration" / "pages" / "api.md"
FACES = ("cli", "web")
ORDER = (
    *("names", "errors", "documents", "photo", "camera", "rectify", "mat", "hands", "quality", "capture", "views"),
    *("rest", "rest_document", "layout", "drawings", "recognise", "check", "check_document", "repeat", "sessions"),
    *("measures", "cohort", "batch", "journal", "report", "doctor"),
)


def used() -> dict[str, set[str]]:
    """Return, by module, the public names that the faces import from the library."""
    found: dict[str, set[str]] = {}
    package = ROOT / "handcapture"
    for path in (package / "demo.py", *(p for face in FACES for p in (package / face).rglob("*.py"))):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ImportFrom) or node.level or not (node.module or "").startswith("handcapture."):
                continue
            module = str(node.module)
            if module.split(".")[1] not in FACES and module != "handcapture.version":
                found.setdefault(module, set()).update(a.name for a in node.names if not a.name.startswith("_"))
    return found


def _rank(module: str) -> tuple[int, str]:
    stage = module.split(".")[1]
    return (ORDER.index(stage) if stage in ORDER else len(ORDER), module)


def _fields(node: ast.ClassDef) -> str:
    """Return the public fields of a dataclass or a model, as they stand in its body."""
    fields = [
        ast.unparse(part)
        for part in node.body
        if isinstance(part, ast.AnnAssign) and isinstance(part.target, ast.Name) and not part.target.id.startswith("_")
    ]
    return f"({', '.join(fields)})" if fields else ""


def _call(node: ast.ClassDef | ast.FunctionDef) -> str:
    if isinstance(node, ast.ClassDef):
        return f"class {node.name}{_fields(node)}"
    returns = f" -> {ast.unparse(node.returns)}" if node.returns is not None else ""
    return f"{node.name}({ast.unparse(node.args)}){returns}"


def _module(name: str) -> ast.Module:
    path = ROOT.joinpath(*name.split("."))
    file = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    return ast.parse(file.read_text(encoding="utf-8"))


def page() -> str:
    """Return the page."""
    lines = [
        "# The library's calls",
        "",
        "What commands and page themselves use, in the order in which data flow. Made from docstrings by",
        "`python calibration/api_page.py`. Frames, units and words: `DEVELOPERS.md`.",
    ]
    for module_name, names in sorted(used().items(), key=lambda item: _rank(item[0])):
        module = _module(module_name)
        parts = []
        for node in module.body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef) and node.name in names:
                text = ast.get_docstring(node)
                parts += ["", f"**`{_call(node)}`**", *(["", text] if text else [])]
                for method in node.body if isinstance(node, ast.ClassDef) else ():
                    told = ast.get_docstring(method) if isinstance(method, ast.FunctionDef) else None
                    if isinstance(method, ast.FunctionDef) and told and not method.name.startswith("_"):
                        parts += ["", f"- `{_call(method)}`: {' '.join(told.split())}"]
        if parts:
            told = (ast.get_docstring(module) or "").split("\n\n")[0]
            lines += ["", f"## {module_name}", "", told, *parts]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the page."""
    made = page()
    PAGE.write_text(made, encoding="utf-8")
    print(f"{PAGE.relative_to(ROOT)}: {made.count('**`')} calls")


if __name__ == "__main__":
    main()
