"""Parquet in, an Arrow IPC stream out: run as a program of its own, see `parquet`.

It imports nothing of ours, so that it starts quickly. Exit code 0 and the stream on standard
output; 3 and a code and a message, in JSON, for a table that is too large when it is unpacked;
anything else for a body that is not Parquet.
"""

from __future__ import annotations

import json
import resource
import sys
from typing import Any, Final, NoReturn

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

ROWS_MAX: Final = 1_000_000
VALUES_MAX: Final = 8 * ROWS_MAX
"""Cells of a column; lists have several a row."""
UNPACKED_MAX: Final = 256 * 2**20
"""Bytes of all columns together, and of the texts of one."""
MEMORY_MAX: Final = 2**31
PROCESSOR_S: Final = 20
TOO_LARGE: Final = 3


def too_large(code: str, message: str) -> NoReturn:
    print(json.dumps([code, message]))
    sys.exit(TOO_LARGE)


def read(body: Any) -> Any:
    """The table. A few thousand bytes can stand for gigabytes: one value said a million times, or
    one long text in every row. So texts are read once each, and written out only when they fit."""
    with pq.ParquetFile(body) as plain:
        schema, parts = plain.schema_arrow, plain.schema
        check_size(plain.metadata)
    texts = [part.path for part in map(parts.column, range(len(parts)))
             if part.physical_type == "BYTE_ARRAY"]
    with pq.ParquetFile(body, read_dictionary=texts) as file:
        table = file.read(use_threads=False)
    table.validate(full=True)
    for name in table.column_names:
        if sum(text_bytes(chunk) for chunk in table.column(name).chunks) > UNPACKED_MAX:
            too_large("too_long", f"Unpacked, the texts of column {name[:80]} are more than "
                      f"{UNPACKED_MAX} bytes.")
    return table.cast(schema)


def check_size(metadata: Any) -> None:
    """By what the file says of itself; who lies meets the limit of memory."""
    if metadata.num_rows > ROWS_MAX:
        too_large("too_many_records", f"The table has more than {ROWS_MAX} rows.")
    columns = [metadata.row_group(g).column(c) for g in range(metadata.num_row_groups)
               for c in range(metadata.num_columns)]
    if sum(c.total_uncompressed_size for c in columns) > UNPACKED_MAX:
        too_large("too_long", f"Unpacked, the table is more than {UNPACKED_MAX} bytes.")
    if sum(c.num_values for c in columns) > VALUES_MAX * metadata.num_columns:
        too_large("too_long", f"The table's lists hold more than {VALUES_MAX} values.")


def text_bytes(array: Any) -> int:
    """How many bytes the texts of a column are, each as often as it is said."""
    if pa.types.is_dictionary(array.type):
        lengths = pc.binary_length(array.dictionary).take(array.indices)
        return pc.sum(lengths.cast(pa.int64())).as_py() or 0
    if pa.types.is_struct(array.type):
        return sum(text_bytes(part) for part in array.flatten())
    if pa.types.is_list(array.type) or pa.types.is_large_list(array.type):
        return text_bytes(array.flatten())
    return 0


def main() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MAX, MEMORY_MAX))
    resource.setrlimit(resource.RLIMIT_CPU, (PROCESSOR_S, PROCESSOR_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    table = read(pa.py_buffer(sys.stdin.buffer.read()))
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table)
    sys.stdout.buffer.write(sink.getvalue())


if __name__ == "__main__":
    main()
