"""The evidence folder: written so that a kill at any moment leaves a folder that opens and says INCOMPLETE.

Every file but the journal is there whole or not at all (a hidden file, moved to its place). The journal only grows,
a line at a time; a torn last line is left out. `INCOMPLETE` is there from the first moment until the manifest is
written. Nothing here knows what a stage is.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from ..errors import InputError, OutputError
from ..process.output_file import write_report
from ..text import json_text

__all__ = ["INCOMPLETE", "MANIFEST", "EvidenceFolder", "manifest_digest", "manifest_problems", "plan_digest"]

INCOMPLETE = "INCOMPLETE"
MANIFEST = "manifest.json"
JOURNAL = "journal.jsonl"
PLAN = "plan.toml"
STAGES = "stages"
_SCHEMA = "framefray.evidence-manifest/1"
_PART = ".framefray-"
_MOST_JSON = 256 << 20


class EvidenceFolder:
    """A folder of evidence; InputError or OutputError where it cannot be opened or written."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @classmethod
    def create(cls, path: Path) -> EvidenceFolder:
        """A new folder; OutputError where something is there already."""
        try:
            path.mkdir(parents=True, exist_ok=True)
            if any(path.iterdir()):
                raise OutputError(f"{path}: is not empty", hint="--resume goes on with an incomplete run")
        except OSError as error:
            raise OutputError(f"{path}: {error.strerror}") from None
        folder = cls(path)
        folder.begin()
        return folder

    @classmethod
    def existing(cls, path: Path) -> EvidenceFolder:
        """A folder that is there; InputError where it is none."""
        if not path.is_dir():
            raise InputError(f"{path}: no such folder")
        return cls(path)

    def begin(self) -> None:
        """Say that what is here is not complete."""
        text = "This run is incomplete. framefray accept PLAN.toml --out FOLDER --resume goes on where it stopped.\n"
        self.write(INCOMPLETE, text.encode())
        (self.path / MANIFEST).unlink(missing_ok=True)

    @property
    def complete(self) -> bool:
        return (self.path / MANIFEST).is_file() and not (self.path / INCOMPLETE).exists()

    def write(self, name: str, octets: bytes) -> None:
        """A whole file, in place of an older one."""
        path = self.path / name
        try:
            path.parent.mkdir(exist_ok=True)
        except OSError as error:
            raise OutputError(f"{path.parent}: {error.strerror}") from None
        write_report(str(path), octets, force=True)

    def write_json(self, name: str, record: Any) -> None:
        self.write(name, f"{json_text(record, indent=1)}\n".encode())

    def read(self, name: str) -> bytes | None:
        """A file's octets; None where it is not there. InputError where the system refuses."""
        path = self.path / name
        try:
            if path.stat().st_size > _MOST_JSON:
                raise InputError(f"{path}: larger than any file of a run")
            return path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise InputError(f"{path}: {error.strerror}") from None

    def read_json(self, name: str) -> Any:
        """A JSON file; None where it is not there. InputError where it is none."""
        octets = self.read(name)
        if octets is None:
            return None
        try:
            return json.loads(octets)
        except (ValueError, RecursionError):
            raise InputError(f"{self.path / name}: is not JSON") from None

    # ------------------------------------------------------------------------------------------ the journal

    def note(self, **entry: Any) -> None:
        """A line more in the journal, on the disk before this returns."""
        path = self.path / JOURNAL
        try:
            with path.open("ab") as file:
                if file.tell() and not self._ends_in_newline(path):
                    file.write(b"\n")
                file.write(f"{json_text(entry)}\n".encode())
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise OutputError(f"{path}: {error.strerror}") from None

    @staticmethod
    def _ends_in_newline(path: Path) -> bool:
        with path.open("rb") as file:
            file.seek(-1, os.SEEK_END)
            return file.read(1) == b"\n"

    def journal(self) -> list[dict[str, Any]]:
        """Every whole line of the journal."""
        out = []
        for line in (self.read(JOURNAL) or b"").split(b"\n"):
            try:
                entry = json.loads(line)
            except ValueError:
                continue  # torn by a kill
            if isinstance(entry, dict):
                out.append(entry)
        return out

    # ------------------------------------------------------------------------------------------ the end

    def files(self) -> list[str]:
        """Every file by its name in the folder, hidden ones too, sorted; without the manifest and INCOMPLETE."""
        return sorted(
            path.relative_to(self.path).as_posix()
            for path in _walk(self.path)
            if path not in (self.path / MANIFEST, self.path / INCOMPLETE)
        )

    def remove_parts(self) -> None:
        """Remove what a kill has left of files that were being written."""
        for path in _walk(self.path):
            if path.name.startswith(_PART) and path.name.endswith(".part"):
                path.unlink(missing_ok=True)

    def seal(self) -> None:
        """Write the manifest of all files and end being incomplete."""
        self.remove_parts()
        files = {name: _digest(self.path / name) for name in self.files()}
        self.write(MANIFEST, manifest_octets(files))
        (self.path / INCOMPLETE).unlink(missing_ok=True)


def _walk(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.is_dir() and not path.is_symlink():
            yield from _walk(path)
        else:
            yield path


def plan_digest(octets: bytes) -> str:
    """The SHA-256 of a plan, as the journal notes it."""
    return hashlib.sha256(octets).hexdigest()


def manifest_digest(path: Path) -> str | None:
    """The SHA-256 of a folder's manifest; None without one. Written down elsewhere, it shows a folder made anew."""
    manifest = path / MANIFEST
    return _digest(manifest) if manifest.is_file() and not manifest.is_symlink() else None


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from None


def manifest_octets(files: Mapping[str, str]) -> bytes:
    """The manifest of files and their SHA-256, with one over itself."""
    body = {"schema": _SCHEMA, "files": dict(sorted(files.items()))}
    own = hashlib.sha256(json_text(body).encode()).hexdigest()
    return f"{json_text(body | {'sha256_of_this': own}, indent=1)}\n".encode()


def manifest_problems(folder: EvidenceFolder) -> list[str]:
    """What differs between the folder and its manifest, a line for each file; empty where nothing does."""
    octets = folder.read(MANIFEST)
    if octets is None:
        return [f"{MANIFEST}: is not there"]
    try:
        manifest = json.loads(octets)
        listed = manifest["files"]
        if not all(isinstance(name, str) and isinstance(digest, str) for name, digest in listed.items()):
            raise TypeError
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return [f"{MANIFEST}: is damaged"]
    problems = []
    if manifest_octets(listed) != octets:
        problems.append(f"{MANIFEST}: is damaged: it is not what its own SHA-256 says")
    there = set(folder.files())
    for name in sorted(there - set(listed)):
        problems.append(f"{name}: is not in the manifest")
    for name, digest in sorted(listed.items()):
        if name not in there:
            problems.append(f"{name}: is missing")
        elif (path := folder.path / name).is_symlink() or not path.is_file():
            problems.append(f"{name}: is no file of this folder, but a link or a device")
        elif _digest(folder.path / name) != digest:
            problems.append(f"{name}: has changed: its SHA-256 is not that of the manifest")
    return problems
