"""Reads text in any encoding as UTF-8."""

import codecs

import pyarrow as pa

from pipeline.errors import ExtractError


class RecodedStream:
    """The bytes of a text file as they would be in UTF-8.

    Raises ExtractError, naming the line, where the bytes are not text in the declared encoding.
    """

    def __init__(self, stream: pa.NativeFile, file_name: str, encoding: str) -> None:
        self._stream = stream
        self._file_name = file_name
        self._encoding = encoding
        self._decoder = codecs.getincrementaldecoder(encoding)()
        self._waiting = bytearray()
        self._lines_before = 0
        self._at_end = False
        self.closed = False

    def read(self, size: int) -> bytes:
        """The next bytes, as many as asked for; fewer at the end only."""
        while len(self._waiting) < size and not self._at_end:
            block = self._stream.read(size)
            self._at_end = not block
            text = self._text(block)
            self._waiting += text.encode("utf-8")
        given = bytes(self._waiting[:size])
        del self._waiting[:size]
        return given

    def _text(self, block: bytes) -> str:
        try:
            text = self._decoder.decode(block, final=self._at_end)
        except UnicodeError as error:
            raise ExtractError(
                f"The file {self._file_name} is not text in {self._encoding}, as the mapping declares: other bytes "
                f"stand at or after line {self._lines_before + 1:,}. Correct encoding in the mapping, or save the file "
                "as CSV in UTF-8, and load again; nothing was stored."
            ) from error
        self._lines_before += text.count("\n")
        return text

    def close(self) -> None:
        self._stream.close()
        self.closed = True

    def __enter__(self) -> "RecodedStream":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
