"""Every output is written whole or not at all: into a file beside the target, which then takes its place."""

from __future__ import annotations

import errno
import os
import re
import shutil
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from quillwise.kinematics.errors import OutputError
from quillwise.scenes.places import printable

PART_SUFFIX = ".quillwise-part"

# what engine folders hold is typed by hand: no --force replaces it by a picture
_INPUTS = ("engine.toml", "setup.toml")
_FAULT = ("faults", ".toml")

_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the file would be larger than is allowed here",
    errno.EROFS: "the file system is read-only",
    errno.EACCES: "permission denied",
    errno.EPERM: "permission denied",
    errno.EIO: "the device reports an error",
    errno.ENAMETOOLONG: "the name is too long",
}


@contextmanager
def write_whole(path: Path | str, force: bool = False) -> Iterator[Path]:
    """Gives an empty file in the folder of ``path`` to write into; when the block ends it takes ``path``'s place.

    After an error or an interrupt nothing is left and what stood at ``path`` stays. The name of the file that is
    given ends with ``.quillwise-part``, not with the suffix of ``path``: name the format to whatever writes it.

    Raises OutputError before the block runs when ``path`` exists and ``force`` is not given, is a folder, a link
    or a device, or when its folder is missing or cannot be written to; after it when the disk is full.
    """
    target = Path(path)
    check_target(target, force)
    part = target.with_name(f".{target.name[:40]}.{os.urandom(4).hex()}{PART_SUFFIX}")
    try:
        try:  # within, as an interrupt may come as soon as the file is there
            _create(part)
        except OSError as error:
            raise OutputError(f"{target} cannot be written: {_reason(error)}") from error
        yield part
        _flush(part)
        check_target(target, force)
        part.replace(target)
    except OSError as error:
        # Anything else than a failed write of this file is a fault of the block, not of the output.
        if error.errno not in _REASONS or error.filename not in (None, str(part)):
            raise
        raise OutputError(f"{target} cannot be written: {_reason(error)}") from error
    finally:
        with suppress(OSError):  # what could not be made is not there, for one reason or another
            part.unlink()


def write_whole_folder(folder: Path | str, files: Mapping[str, str]) -> None:
    """Make a folder with these texts, by file name, whole or not at all.

    Raises OutputError when something stands at ``folder`` already, or when it cannot be made or filled.
    """
    target = Path(folder)
    try:
        check_free(target)
        if not target.parent.is_dir():
            raise OutputError(f"{target} cannot be made: there is no folder {target.parent}")
        part = target.with_name(f".{target.name[:40]}.{os.urandom(4).hex()}{PART_SUFFIX}")
        try:
            part.mkdir()  # within, as an interrupt may come as soon as it is there
            for name, text in files.items():
                (part / name).write_bytes(text.encode("utf-8"))
                _flush(part / name)
            part.rename(target)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except (OSError, ValueError) as error:
        raise OutputError(f"{target} cannot be made: {_reason(error)}") from error


@dataclass(kw_only=True, slots=True)
class NewFolder:
    """A folder that is being filled. part: where to write. path: where it stands afterwards, once it does."""

    part: Path
    path: Path


@contextmanager
def numbered_whole_folder(base: Path | str) -> Iterator[NewFolder]:
    """A folder to fill, which becomes ``base``, or ``base-2``, ``base-3`` … if that exists, when the block ends.

    After an error or an interrupt nothing is left. Raises OutputError when it cannot be made.
    """
    first = _named(base)
    made = NewFolder(part=first.with_name(f".{first.name[:40]}.{os.urandom(4).hex()}{PART_SUFFIX}"), path=first)
    try:
        _mkdir(first, made.part)
        yield made
        number = 1
        while os.path.lexists(made.path) or not _renamed(made.part, made.path):
            number += 1
            made.path = first.with_name(f"{first.name}-{number}")
    finally:
        shutil.rmtree(made.part, ignore_errors=True)


def _named(base: Path | str) -> Path:
    """A folder to be made. Raises OutputError for one without a name, such as "." or "/", which stands already."""
    folder = Path(base)
    if not folder.name:
        raise OutputError(f"{folder} exists already; give the name of a new folder")
    return folder


def _renamed(part: Path, folder: Path) -> bool:
    """Whether it took that name; not when somebody else took it meanwhile."""
    try:
        part.rename(folder)
    except OSError as error:
        if error.errno in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
            return False
        raise OutputError(f"{folder} cannot be made: {_reason(error)}") from error
    return True


def _mkdir(folder: Path, part: Path) -> None:
    """Makes the folder ``part``, which is to be ``folder``."""
    _check_name(folder)
    try:
        part.mkdir()
    except FileNotFoundError as error:
        raise OutputError(f"{folder} cannot be made: there is no folder {folder.parent}") from error
    except OSError as error:
        raise OutputError(f"{folder} cannot be made: {_reason(error)}") from error


def check_free(folder: Path) -> None:
    """Raises OutputError when something stands at ``folder`` already."""
    if os.path.lexists(folder):
        raise OutputError(f"{folder} exists already; give a name that is free")


def numbered_folder(base: Path | str) -> Path:
    """Makes the folder ``base``, or ``base-2``, ``base-3`` … if that exists already, and returns it.

    Two runs at once never get the same folder. Raises OutputError when it cannot be made.
    """
    first = _named(base)
    number = 1
    while True:
        folder = first if number == 1 else first.with_name(f"{first.name}-{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            number += 1
        except FileNotFoundError as error:
            raise OutputError(f"{folder} cannot be made: there is no folder {folder.parent}") from error
        except OSError as error:
            raise OutputError(f"{folder} cannot be made: {_reason(error)}") from error
        else:
            return folder


def slug(text: str) -> str:
    """A name for files: letters, digits and single hyphens, whatever the scene is called."""
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower() or "engine"


def check_target(target: Path, force: bool) -> None:
    """Raises OutputError as ``write_whole`` does, before work that takes long."""
    _check_name(target)
    try:
        mode = target.lstat().st_mode
    except FileNotFoundError:
        if not target.parent.is_dir():
            raise OutputError(f"{target} cannot be written: there is no folder {target.parent}") from None
        return
    except NotADirectoryError:
        raise OutputError(f"{target} cannot be written: {target.parent} is not a folder") from None
    except OSError as error:
        raise OutputError(f"{target} cannot be written: {_reason(error)}") from error
    if stat.S_ISDIR(mode):
        raise OutputError(f"{target} is a folder; a file name is needed")
    if stat.S_ISLNK(mode):
        raise OutputError(f"{target} is a link; name the file itself")
    if not stat.S_ISREG(mode):
        raise OutputError(f"{target} is a device, not a file")
    if target.name in _INPUTS or (target.parent.name, target.suffix) == _FAULT:
        raise OutputError(f"{target} describes an engine: it is what is read, and never overwritten")
    if not force:
        raise OutputError(f"{target} exists; --force overwrites it")


def _check_name(target: Path) -> None:
    """A name that is printed when it has been written must not command the terminal."""
    if not str(target).isprintable():
        shown = printable(str(target), len(str(target)))
        raise OutputError(f"{shown} cannot be written: its name holds characters that cannot be shown")


def _create(part: Path) -> None:
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))


def _flush(part: Path) -> None:
    """Some file systems report a full disk only when the data are really written."""
    descriptor = os.open(part, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, ValueError):
        return "no name of a folder"
    return _REASONS.get(error.errno or 0) or (error.strerror or "unknown reason").lower()
