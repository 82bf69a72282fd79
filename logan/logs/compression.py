"""Open a log whether it is compressed or not, by its content, in bounded memory."""

import hashlib
import io
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import IO, Any, BinaryIO, Final, cast

from logan.errors import LogReadError

MAX_EXPANSION: Final = 100
"""A compressed log that grows by more than this is refused; drive logs grow by 3 to 60."""

_PIECE_BYTES: Final = 64 * 1024
_EXPANSION_FREE_BYTES: Final = 64 * 1024 * 1024
_GZIP, _ZSTD, _ZIP = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PK\x03\x04"
_ZIP_DAMAGE: Final = (EOFError, OSError, zlib.error, zipfile.BadZipFile, NotImplementedError)
"""What Python's reader of zip files raises on one that is damaged, or packed in a way that it does not know."""

_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"


class HashingFile(io.RawIOBase):
    """A file that is hashed as it is read, as long as it is read from the front to the end.

    Parameters
    ----------
    path : Path
        The file.
    is_hashed : bool
        False to read only; ``sha256`` then hashes it in a pass of its own.
    """

    def __init__(self, path: Path, *, is_hashed: bool = True) -> None:
        super().__init__()
        self._is_hashed = is_hashed
        self._path = path
        self._file = path.open("rb", buffering=0)
        self._hash = hashlib.sha256()
        self._hashed_bytes = 0
        self.name = str(path)

    def readable(self) -> bool:  # noqa: D102 (io.RawIOBase)
        return True

    def seekable(self) -> bool:  # noqa: D102 (io.RawIOBase)
        return True

    def readinto(self, buffer: Any) -> int:  # noqa: D102 (io.RawIOBase)
        at = self._file.tell()
        count = self._file.readinto(buffer) or 0
        if self._is_hashed and at == self._hashed_bytes and count:
            self._hash.update(memoryview(buffer)[:count])
            self._hashed_bytes += count
        return count

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:  # noqa: D102 (io.RawIOBase)
        return self._file.seek(offset, whence)

    def tell(self) -> int:  # noqa: D102 (io.RawIOBase)
        return self._file.tell()

    def fileno(self) -> int:  # noqa: D102 (io.RawIOBase)
        return self._file.fileno()

    def close(self) -> None:  # noqa: D102 (io.RawIOBase)
        self._file.close()
        super().close()

    def sha256(self) -> str:
        """Hash of the whole file; what was not read in passing is read now."""
        size_bytes = self._path.stat().st_size
        if self._hashed_bytes > size_bytes:
            with self._path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        self._file.seek(self._hashed_bytes)
        while block := self._file.read(1 << 20):
            self._hash.update(block)
            self._hashed_bytes += len(block)
        return self._hash.hexdigest()


class _Gzip(io.RawIOBase):
    """Text of a gzip file, member by member, to the last byte before a cut; what follows a whole member is left."""

    def __init__(self, file: HashingFile) -> None:
        from isal import isal_zlib

        super().__init__()
        self._file, self._packed, self.left_bytes = file, b"", 0
        self._begin = partial(isal_zlib.decompressobj, wbits=31)
        self._inflater: Any = self._begin()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        is_over = False
        while not is_over:
            packed = self._packed or self._file.read(_PIECE_BYTES) or b""
            is_over, self._packed = not packed, b""
            if self._inflater.eof:
                packed = packed.lstrip(b"\0")
                if not packed:
                    continue
                if not _GZIP.startswith(packed[:2]):
                    self.left_bytes = len(packed) + sum(map(len, iter(partial(self._file.read, _PIECE_BYTES), b"")))
                    return 0
                self._inflater = self._begin()
            text = self._inflater.decompress(packed, len(buffer))
            self._packed = self._inflater.unused_data if self._inflater.eof else self._inflater.unconsumed_tail
            if text:
                buffer[: len(text)] = text
                return len(text)
        if not self._inflater.eof:
            raise EOFError
        return 0


class _Expanded(io.RawIOBase):
    """A decompressed stream that refuses to grow without bound and notes a cut-off end."""

    def __init__(self, inner: IO[bytes], faults: tuple[type[Exception], ...], path: Path, size_bytes: int) -> None:
        super().__init__()
        self._inner, self._faults = inner, faults
        self._path = path
        self._limit_bytes = MAX_EXPANSION * size_bytes + _EXPANSION_FREE_BYTES
        self._out_bytes = 0
        self.is_truncated = False

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer piece by piece: what was unpacked before a cut is not lost with the rest of a large read."""
        view, filled = memoryview(buffer), 0
        while filled < len(view) and not self.is_truncated:
            try:
                block = self._inner.read(min(_PIECE_BYTES, len(view) - filled))
            except self._faults as error:
                if isinstance(error, EOFError) or "truncated" in str(error).lower():
                    self.is_truncated = True
                    break
                raise LogReadError(
                    f"the compressed data is damaged after {self._out_bytes + filled} bytes of text",
                    "Copy the file from the logger again, or unpack it by hand as far as it goes",
                    self._path,
                ) from error
            if not block:
                break
            view[filled : filled + len(block)] = block
            filled += len(block)
        self._out_bytes += filled
        if self._out_bytes > self._limit_bytes:
            raise LogReadError(
                f"the file expands to more than {MAX_EXPANSION} times its size",
                "This is no drive log; if it is, unpack it yourself first",
                self._path,
            )
        return filled

    @property
    def notes(self) -> list[str]:
        """What was left of the packed file."""
        left_bytes = getattr(self._inner, "left_bytes", 0)
        return [f"{self._path}: behind its packed log lie {left_bytes} bytes of something else"] if left_bytes else []


@contextmanager
def open_log(path: Path, *, is_hashed: bool = True) -> Iterator[tuple[BinaryIO, HashingFile]]:
    """Open a log, through gzip, zstd or zip where its first bytes say so.

    Parameters
    ----------
    path : Path
        A regular file.
    is_hashed : bool
        Hash it in passing.

    Yields
    ------
    stream : BinaryIO
        The log itself, from its start. Its ``is_truncated`` attribute, where it has one, tells that
        the compressed data ended early, and ``notes`` what was left.
    file : HashingFile
        The file on disk: position for progress, and hash.

    Raises
    ------
    LogReadError
        If the file cannot be opened, is damaged, or is a zip with more than one log in it.
    """
    with ExitStack() as stack:
        file = stack.enter_context(_open_file(path, is_hashed=is_hashed))
        magic = file.read(4) or b""
        file.seek(0)
        if magic == _OLD_WORKBOOK:
            raise _workbook(path)
        if magic.startswith((_GZIP, _ZSTD, _ZIP)):
            inner, faults = _decompressor(file, magic, path)
            stack.enter_context(inner)
            yield cast(BinaryIO, _Expanded(inner, faults, path, path.stat().st_size)), file
        else:
            yield cast(BinaryIO, file), file


def read_head(path: Path, size_bytes: int) -> bytes:
    """First bytes of a log, decompressed."""
    with open_log(path, is_hashed=False) as (stream, _):
        head = bytearray()
        while len(head) < size_bytes and (block := stream.read(size_bytes - len(head))):
            head += block
    return bytes(head)


def hash_of(path: Path) -> str:
    """SHA-256 of a log as it lies on the disk.

    Raises
    ------
    LogReadError
        If it is no file, or cannot be opened.
    """
    with _open_file(path, is_hashed=True) as file:
        return file.sha256()


@contextmanager
def unpacked(stream: BinaryIO, path: Path) -> Iterator[BinaryIO]:
    """A real file with the content of ``stream``; gone afterwards, whatever happens."""
    if isinstance(stream, HashingFile):
        with path.open("rb") as plain:
            yield plain
        return
    with tempfile.NamedTemporaryFile(prefix="logan-", suffix=path.suffix) as copy:
        shutil.copyfileobj(stream, copy, 1 << 20)
        copy.flush()
        copy.seek(0)
        yield cast(BinaryIO, copy)


def _open_file(path: Path, *, is_hashed: bool) -> HashingFile:
    if not path.exists():
        raise LogReadError("there is no such file", "Check the path", path)
    if not path.is_file():
        raise LogReadError("this is not a file", "Give the path of a log file", path)
    try:
        return HashingFile(path, is_hashed=is_hashed)
    except OSError as error:
        raise LogReadError(f"the file cannot be opened ({error.strerror})", "Check its permissions", path) from error


def _decompressor(file: HashingFile, magic: bytes, path: Path) -> tuple[IO[bytes], tuple[type[Exception], ...]]:
    """The decompressed stream, and what it raises where the data is cut off or damaged."""
    if magic.startswith(_GZIP):
        from isal import isal_zlib

        return cast(IO[bytes], _Gzip(file)), (EOFError, OSError, cast(type[Exception], isal_zlib.error))
    if magic.startswith(_ZSTD):
        import pyarrow

        # Windows beyond 128 MB are refused by the library itself.
        reader = pyarrow.CompressedInputStream(pyarrow.PythonFile(file, "r"), "zstd")
        return cast(IO[bytes], reader), (OSError,)
    return _zip_member(file, path), _ZIP_DAMAGE


def _zip_member(file: HashingFile, path: Path) -> IO[bytes]:
    try:
        return _only_member(zipfile.ZipFile(cast(BinaryIO, file)), path)
    except (*_ZIP_DAMAGE, ValueError, RuntimeError) as error:
        if isinstance(error, LogReadError):
            raise
        raise LogReadError("the zip file is damaged or cut off", "Copy it again", path) from error


def _only_member(archive: zipfile.ZipFile, path: Path) -> IO[bytes]:
    names = [name for name in archive.namelist() if not name.endswith("/") and not name.startswith("__MACOSX/")]
    if "[Content_Types].xml" in names:
        raise _workbook(path)
    if len(names) != 1:
        raise LogReadError(
            f"the zip file holds {len(names)} files", "Unpack it and give the logs themselves, all in one command", path
        )
    if archive.getinfo(names[0]).flag_bits & 0x1:
        raise LogReadError("the zip file is locked by a password", "Unpack it first", path)
    return archive.open(names[0])


def _workbook(path: Path) -> LogReadError:
    return LogReadError(
        "this is a spreadsheet workbook, not a log",
        "Open it in the spreadsheet program, choose Save as, type CSV (UTF-8), and give that file",
        path,
    )
