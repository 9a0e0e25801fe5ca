"""What writes to the disk in a program, read from its code.

On the safe side: a call that is known to write into memory is left out, any other of the names below counts. What goes
through a name that is not written out (`getattr(os, word)`) is not seen here; the tests also listen while commands run.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Final

MODULES: Final = {
    "os": "open fdopen write pwrite mkdir makedirs rename renames replace link symlink truncate ftruncate unlink "
    "remove rmdir removedirs chmod chown utime mkfifo mknod sendfile copy_file_range system popen",
    "shutil": "copy copy2 copyfile copyfileobj copymode copystat copytree move rmtree make_archive unpack_archive "
    "chown",
    "tempfile": "mkstemp mkdtemp mktemp TemporaryFile NamedTemporaryFile SpooledTemporaryFile TemporaryDirectory",
    "subprocess": "run Popen call check_call check_output getoutput",
    "sqlite3": "connect",
    "sqlalchemy": "create_engine",
    "numpy": "save savez savez_compressed savetxt memmap",
    "cv2": "imwrite imwritemulti VideoWriter FileStorage",
    "json": "dump",
    "pickle": "dump",
    "logging": "FileHandler",
    "fileinput": "input",
    "dbm": "open",
    "shelve": "open",
}
"""Functions of modules that write, or start what may."""
OPENERS: Final = {"open", "io.open", "codecs.open", "os.fdopen"}
PACKERS: Final = {
    *("zipfile.ZipFile", "tarfile.open", "tarfile.TarFile", "gzip.open", "gzip.GzipFile", "bz2.open", "bz2.BZ2File"),
    *("lzma.open", "lzma.LZMAFile"),
}
METHODS: Final = {
    *("write_bytes", "write_text", "mkdir", "touch", "unlink", "rmdir", "rename", "symlink_to", "hardlink_to", "chmod"),
    *("lchmod", "extract", "extractall", "copy_into", "move_into"),
}
"""Methods of paths and archives: they always write."""
WRITERS_OF_LIBRARIES: Final = {
    *("save", "savefig", "saveas", "save_as", "write", "write_table", "write_image", "imwrite", "imsave", "to_csv"),
    *("to_parquet", "to_json", "to_excel", "to_file", "tofile", "dump", "drawToFile", "build", "ParquetWriter"),
    *("PdfPages", "Canvas", "SimpleDocTemplate", "BaseDocTemplate", "PdfWriter", "PdfMerger"),
}
"""What writes into the file that it is given, a name or a place in memory."""
MEMORY: Final = {"BytesIO", "StringIO"}
STREAMS: Final = {"sys.stdout", "sys.stderr", "sys.stdout.buffer", "sys.__stdout__", "sys.__stderr__"}


def writers_in(folder: Path) -> dict[str, list[str]]:
    """Return, by function of a package ("module.Class.method"), the calls in it that write, with their lines."""
    found: dict[str, list[str]] = {}
    for path in sorted(folder.rglob("*.py")):
        module = path.relative_to(folder).with_suffix("").as_posix()
        for where, line, told in writes(path.read_text(encoding="utf-8")):
            found.setdefault(f"{module}.{where}", []).append(f"{told} (line {line})")
    return found


def writes(code: str) -> list[tuple[str, int, str]]:
    """Return the calls in a piece of code that write: the function they stand in, the line, and what is called."""
    tree = ast.parse(code)
    return list(_Scope(tree, "<module>", _imports(tree), set(), set()).found())


def _imports(tree: ast.AST) -> dict[str, str]:
    """Return what imported names stand for, wherever they are imported."""
    names: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for one in node.names:
                names[one.asname or one.name.split(".")[0]] = one.name if one.asname else one.name.split(".")[0]
        elif isinstance(node, ast.ImportFrom):
            for one in node.names:
                names[one.asname or one.name] = f"{node.module}.{one.name}"
    return names


class _Scope:
    """A function, class or module: names in it that stand for memory, or for a file that is open already."""

    def __init__(self, node: ast.AST, name: str, imports: dict[str, str], memory: set[str], opened: set[str]) -> None:
        self.node, self.name, self.imports = node, name, imports
        self.memory, self.opened = set(memory), set(opened)
        self.nodes, self.inner = self._own()
        for part in self.nodes:
            self._bind(part)

    def _own(self) -> tuple[list[ast.AST], list[ast.AST]]:
        """Return what stands in this scope itself, and the scopes in it; decorators and defaults stand outside."""
        own: list[ast.AST] = []
        inner: list[ast.AST] = []
        outside: list[ast.AST] = []
        if isinstance(self.node, ast.FunctionDef | ast.AsyncFunctionDef):
            outside = [*self.node.decorator_list, *self.node.args.defaults, *self.node.args.kw_defaults]
        skipped = {id(node) for node in outside}
        waiting = [node for node in ast.iter_child_nodes(self.node) if id(node) not in skipped]
        for node in waiting:  # which grows meanwhile
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                inner.append(node)
                waiting += node.decorator_list
                if not isinstance(node, ast.ClassDef):
                    waiting += [d for d in (*node.args.defaults, *node.args.kw_defaults) if d is not None]
                continue
            own.append(node)
            waiting += [part for part in ast.iter_child_nodes(node) if id(part) not in skipped]
        return own, inner

    def _bind(self, node: ast.AST) -> None:
        pairs: list[tuple[ast.AST | None, ast.AST | None]] = []
        if isinstance(node, ast.Assign):
            pairs = [(target, node.value) for target in node.targets]
        elif isinstance(node, ast.AnnAssign | ast.NamedExpr):
            pairs = [(node.target, node.value)]
        elif isinstance(node, ast.withitem):
            pairs = [(node.optional_vars, node.context_expr)]
        for target, value in [one for pair in pairs for one in _each(*pair)]:
            if target is None or not isinstance(value, ast.Call):
                continue
            called = self._dotted(value.func)
            if called.startswith("handcapture.") and self.imports.get(called.rpartition(".")[2]) == called:
                self.opened.update(n.id for n in ast.walk(target) if isinstance(n, ast.Name))  # read where it is made
            elif called.split(".")[-1] in MEMORY:
                self.memory.add(ast.unparse(target))
            elif called.split(".")[-1] in ("open", "fdopen", "ElementTree") or called in PACKERS:
                self.opened.add(ast.unparse(target))
            elif self._into_memory(value):  # a canvas over memory, say
                self.memory.add(ast.unparse(target))

    def found(self) -> Iterator[tuple[str, int, str]]:
        called = {id(node.func) for node in self.nodes if isinstance(node, ast.Call)}
        for node in self.nodes:
            if isinstance(node, ast.Call) and (told := self._told(node)):
                yield self.name, node.lineno, told
            elif isinstance(node, ast.Name | ast.Attribute) and id(node) not in called:
                module, _, word = self._dotted(node).rpartition(".")  # handed on, to be called elsewhere
                if word in MODULES.get(module, "").split():
                    yield self.name, node.lineno, f"{module}.{word}"
        for node in self.inner:
            inner = getattr(node, "name", "")
            if self.name != "<module>":
                inner = f"{self.name}.{inner}"
            yield from _Scope(node, inner, self.imports, self.memory, self.opened).found()

    def _dotted(self, node: ast.AST) -> str:
        """Return the full name of what is called, with imported names spelt out; "?" for what has none."""
        if isinstance(node, ast.Name):
            return self.imports.get(node.id, node.id)
        if isinstance(node, ast.Attribute):
            return f"{self._dotted(node.value)}.{node.attr}"
        return "?"

    def _into_memory(self, call: ast.Call) -> bool:
        for given in (*call.args, *(k.value for k in call.keywords)):
            if ast.unparse(given) in self.memory:
                return True
            if isinstance(given, ast.Call) and self._dotted(given.func).split(".")[-1] in MEMORY:
                return True
        return False

    def _told(self, call: ast.Call) -> str | None:
        called = self._dotted(call.func)
        module, _, word = called.rpartition(".")
        if word in MODULES.get(module, "").split() and not self._reads(call, called) and not self._into_memory(call):
            return called
        if called in OPENERS | PACKERS and _mode(call, 1) and not self._into_memory(call):
            return called
        if not isinstance(call.func, ast.Attribute):
            of_library = bool(module) and not module.startswith("handcapture")  # our own are read themselves
            return called if of_library and word in WRITERS_OF_LIBRARIES and not self._into_memory(call) else None
        receiver = ast.unparse(call.func.value)
        of_module = isinstance(call.func.value, ast.Name) and call.func.value.id in self.imports
        if word in METHODS and not of_module:
            return f"{receiver}.{word}"
        if word == "replace" and len(call.args) == 1 and not call.keywords:  # of a text it has two
            return f"{receiver}.{word}"
        if word == "open" and not of_module and _mode(call, 0):
            return f"{receiver}.{word}"
        if word in WRITERS_OF_LIBRARIES and not self._into_memory(call):
            known = receiver in self.opened | self.memory or called.rpartition(".")[0] in STREAMS
            return None if known else f"{receiver}.{word}"
        return None

    def _reads(self, call: ast.Call, called: str) -> bool:
        """Tell whether os.open only reads, or opens the device that swallows everything."""
        if called == "os.fdopen":
            return not _mode(call, 1)
        if called != "os.open":
            return False
        flags = {self._dotted(n) for given in call.args[1:2] for n in ast.walk(given) if isinstance(n, ast.Attribute)}
        return self._dotted(call.args[0]) == "os.devnull" or flags == {"os.O_RDONLY"}


def _each(target: ast.AST | None, value: ast.AST | None) -> list[tuple[ast.AST | None, ast.AST | None]]:
    """Return what is given to what, one by one, of `a, b = x(), y()`."""
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple) and len(target.elts) == len(value.elts):
        return list(zip(target.elts, value.elts, strict=True))
    return [(target, value)]


def _mode(call: ast.Call, place: int) -> bool:
    """Tell whether a file is opened for writing: by its mode, or by one that cannot be read from the code."""
    given = [k.value for k in call.keywords if k.arg == "mode"] or call.args[place : place + 1]
    if not given:
        return False
    words = [n.value for n in ast.walk(given[0]) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return not words or any(set(word) & set("wax+") for word in words)
