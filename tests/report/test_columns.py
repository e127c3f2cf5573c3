"""Columns handed to pyarrow, and how Parquet files encode them."""

import subprocess
import sys

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from buswright.channels.exported import array_of, texts_of
from buswright.report.files.columns import parquet_writer
from buswright.report.files.tables import Tables


@given(
    st.sampled_from(["f8", "f4", "i8", "u8", "u2", "u1", "i1", "?"]).flatmap(
        lambda kind: hnp.arrays(kind, st.integers(0, 40))
    ),
    st.randoms(use_true_random=False),
)
def test_a_column_is_what_pyarrow_makes_of_it(values, chance):
    absent = np.array([chance.random() < 0.3 for _ in values], np.bool_)
    for null in (None, absent):
        ours, theirs = array_of(values, null), pa.array(values, mask=null)
        ours.validate(full=True)
        assert ours.type == theirs.type
        assert ours.null_count == theirs.null_count
        if values.dtype.kind == "f":  # NaN equals no NaN
            whole = f"i{values.itemsize}"
            ours, theirs = array_of(values.view(whole), null), pa.array(values.view(whole), mask=null)
        assert ours.equals(theirs)


def test_a_part_of_a_column_is_that_part():
    values = np.arange(20.0)[3:17:2]
    assert array_of(values).to_pylist() == [3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0]


def test_texts():
    texts = ["", "°C", "chassis/DAMPERS_A", "車"]
    assert texts_of(texts).to_pylist() == texts
    assert texts_of([]).to_pylist() == []


def test_floats_have_no_dictionary_and_split_bytes(tmp_path):
    schema = pa.schema(
        {"time_ns": pa.int64(), "a": pa.float64(), "a.raw": pa.uint16(), "a.quality": pa.uint16()}
        | {"unit": pa.dictionary(pa.int32(), pa.string())}
    )
    with parquet_writer(tmp_path / "x.parquet", schema) as writer:
        writer.write_table(schema.empty_table())
    columns = {"time_ns": np.arange(1000), "a": np.random.default_rng(1).random(1000)}
    columns |= {"a.raw": np.arange(1000, dtype="u2"), "a.quality": np.zeros(1000, "u2")}
    arrays = [array_of(each) for each in columns.values()]
    arrays.append(pa.DictionaryArray.from_arrays(array_of(np.zeros(1000, "i4")), texts_of(["V"])))
    with parquet_writer(tmp_path / "x.parquet", schema) as writer:
        writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
    group = pq.ParquetFile(tmp_path / "x.parquet").metadata.row_group(0)
    found = {group.column(k).path_in_schema: set(group.column(k).encodings) for k in range(5)}
    assert "BYTE_STREAM_SPLIT" in found["a"]
    assert "DELTA_BINARY_PACKED" in found["time_ns"]
    assert "DELTA_BINARY_PACKED" in found["a.raw"]
    assert {name for name, used in found.items() if "RLE_DICTIONARY" in used} == {"unit"}
    assert {group.column(k).path_in_schema for k in range(5) if group.column(k).compression == "ZSTD"} == {
        *("a", "a.quality", "unit")
    }
    read = pq.read_table(tmp_path / "x.parquet")
    assert {name: read.column(name).to_numpy().tolist() for name in columns} == {
        name: each.tolist() for name, each in columns.items()
    }


@pytest.mark.parametrize("kind", ["u1", "i1", "u2", "i2", "u4", "i4", "u8", "i8"])
def test_whole_numbers_come_back_from_end_to_end_of_their_range(tmp_path, kind):
    ends = np.iinfo(kind)
    values = np.array([0, ends.max, ends.min, ends.max, 1, ends.max // 2], kind)
    schema = pa.schema({"a.raw": pa.from_numpy_dtype(values.dtype)})
    with parquet_writer(tmp_path / "x.parquet", schema) as writer:
        writer.write_table(pa.Table.from_arrays([array_of(values, values == 1)], schema=schema))
    assert pq.read_table(tmp_path / "x.parquet")["a.raw"].to_pylist() == [
        None if each == 1 else int(each) for each in values
    ]


@pytest.mark.parametrize("jobs", [1, 3])
def test_what_goes_to_one_file_keeps_its_order(tmp_path, jobs):
    with Tables(tmp_path / "new", jobs) as tables:
        for name in "abc":
            tables.files[name] = tables.place(name)
        for start in range(0, 3000, 100):
            for name in "abc":
                tables.write(pa.Table.from_arrays([array_of(np.arange(start, start + 100))], ["row"]), name)
    for path in tables.files.values():
        assert pq.read_table(path)["row"].to_pylist() == list(range(3000))
    assert tables.rows == 9000


def test_a_fault_of_a_writing_thread_is_raised(tmp_path, monkeypatch):
    class Full:
        def write_table(self, table):
            raise OSError(28, "No space left on device")

        def close(self):
            pass

    monkeypatch.setattr("buswright.report.files.tables.parquet_writer", lambda *_: Full())
    tables = Tables(tmp_path / "x.parquet", 2).__enter__()
    tables.write(pa.Table.from_arrays([array_of(np.arange(9))], ["row"]))
    with pytest.raises(OSError, match="No space"):
        tables.__exit__(None, None, None)


def test_pandas_is_not_imported(tmp_path):
    code = (
        "import sys, numpy as np; from pathlib import Path\n"
        "from buswright.channels.samples.series import Series\n"
        "from buswright.report.files.tables import Tables\n"
        "series = Series('a', 'V', np.arange(9), np.arange(9.0))\n"
        f"with Tables(Path({str(tmp_path)!r}) / 'x.parquet') as tables:\n"
        " tables.write_long([])\n tables.write_long([('b', 'm', series)])\n"
        "assert 'pandas' not in sys.modules, 'pandas'"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
