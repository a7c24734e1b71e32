# ruff: noqa: E501
"""Workbooks: what their cells mean, what is hidden, merged, failed or never computed, and files made to hurt."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import pytest

from tests.plan.workbooks import ods, ods_row, ods_time, repacked, sheet_xml, xlsb, xlsx
from tracker.cli.main import main
from tracker.foundation.errors import PlanError, WrongUsage
from tracker.plan.columns import NO_WISHES, Wishes, parse_columns
from tracker.plan.mapping import mapping_of, read_mapping
from tracker.plan.sheet import Sheet, read_rows
from tracker.plan.sheet_table import read_table_of
from tracker.plan.workbook import kind_of_format, read_workbook, shown_rows

HEAD = ("Task", "Step", "Crew", "Duration")


def sheet_of(raw: bytes, **wishes: Any) -> Sheet:
    named = parse_columns(wishes.pop("columns", ""))
    said = Wishes(named, **wishes)
    return read_rows(read_table_of(raw, "s.xlsx", said), "s.xlsx", said)


def refusals(raw: bytes, **wishes: Any) -> tuple[str, ...]:
    with pytest.raises(PlanError) as error:
        sheet_of(raw, **wishes)
    return error.value.lines


def two(first: float, second: float, number_format: str) -> bytes:
    formats = dict.fromkeys(("D2", "D3"), number_format)
    return xlsx(HEAD, ("A", "one", "EV1", first), ("A", "two", "EV1", second), formats=formats)


FRACTIONS = 0.005555555555555556, 1.1458333333333333
"""0:08 and 27:30 as fractions of a day."""


def test_1_spans_are_fractions_of_a_day() -> None:
    sheet = sheet_of(two(*FRACTIONS, "[h]:mm"))
    assert [step.time for step in sheet.steps] == [480, 99_000]
    assert sheet.said == {3: ": 0:08 to 27:30, 27:38 in all"}


def test_a_number_typed_into_a_cell_of_hours_is_told_to_count_days() -> None:
    sheet = sheet_of(two(0.25, 2, "[h]:mm"))
    assert [step.time for step in sheet.steps] == [21_600, 172_800]
    (said,) = (line for line in sheet.remarks if "days" in line)
    assert said == ("row 3, column D (Duration) is 2 days: what is typed there without a colon counts days")


def test_a_format_goes_before_a_unit_in_the_heading() -> None:
    raw = xlsx((*HEAD[:3], "Duration (min)"), ("A", "one", "EV1", 0.25), formats={"D2": "[h]:mm"})
    sheet = sheet_of(raw)
    assert sheet.steps[0].time == 21_600
    assert sheet.said[3] == ", by the cells' own format, not in minutes: 6:00, 6:00 in all"


def test_1_a_span_of_an_ods() -> None:
    """`office:time-value` is a duration. Source: OpenDocument 1.2, Part 1, 19.382."""
    rows = [
        ods_row(*HEAD),
        ods_row("A", "one", "EV1", ods_time("PT00H08M00S")),
        ods_row("A", "two", "EV1", ods_time("PT27H30M00S")),
    ]
    assert [step.time for step in sheet_of(ods(rows)).steps] == [480, 99_000]


def test_2_bare_numbers_need_a_unit() -> None:
    (line,) = refusals(two(*FRACTIONS, "General"))
    assert line.startswith("s.xlsx:1:4: column D (Duration): 2 numbers without a unit; ")
    assert line.endswith('say --columns "Duration=time:d"')
    sheet = sheet_of(two(*FRACTIONS, "General"), columns="Duration=time:d")
    assert [step.time for step in sheet.steps] == [480, 99_000]


def test_3_a_clock_of_a_day_and_more_is_refused() -> None:
    assert refusals(two(*FRACTIONS, "h:mm")) == (
        "s.xlsx:3:4: row 3, column D (Duration): shows 3:30 and holds 27:30; format it as [h]:mm",
    )


@pytest.mark.parametrize(("first", "since_1904"), [(38749.333333, False), (37287.333333, True)])
def test_4_instants_by_either_calendar(first: float, since_1904: bool) -> None:
    """Serial 38749 is 2006-02-01, and 37287 in the 1904 system. Source: ECMA-376 Part 1, 18.17.4.1."""

    def change(book: Any, sheet: Any) -> None:
        if since_1904:
            book.epoch = openpyxl_epoch_1904()

    head = ("Task", "Step", "Crew", "Start", "End")
    formats = dict.fromkeys(("D2", "E2"), "yyyy-mm-dd hh:mm")
    raw = xlsx(head, ("A", "one", "EV1", first, first + 0.005556), formats=formats, change=change)
    sheet = sheet_of(raw)
    assert sheet.steps[0].time == 480
    assert "the first start is 2006-02-01T08:00:00Z" in sheet.remarks
    cells = read_workbook(raw, "s.xlsx")[0].rows[1]
    assert (cells[3].kind, str(cells[3])) == ("instant", "2006-02-01T08:00:00Z")
    mapping = mapping_of(sheet, NO_WISHES, "Sheet")
    assert "  Start: start   # the first is 2006-02-01T08:00:00Z\n" in mapping
    assert read_mapping(mapping, "m.yaml").named[3].key == "start"


def test_a_binary_workbook_is_read_and_says_what_it_does_not_tell() -> None:
    raw = xlsb(
        ("Step", "Who", "Duration (min)", "Cautions"),
        ("Unplug", "EV1", 8.0, "Hot: <b>=1+1"),
        ("Plug", "EV2", 12.5, ""),
    )
    (grid,) = read_workbook(raw, "s.xlsb")
    assert (grid.name, grid.remark) == ("Plan B", "this kind of file does not say which rows are hidden")
    sheet = sheet_of(raw)
    assert [step.time for step in sheet.steps] == [480, 750]
    assert sheet.steps[0].text["cautions"] == "Hot: <b>=1+1"


def openpyxl_epoch_1904() -> Any:
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    return CALENDAR_MAC_1904


@pytest.mark.parametrize(
    ("serial", "day"),
    [
        (1, "1900-01-01"),
        (59, "1900-02-28"),
        (61, "1900-03-01"),
        (3687, "1910-02-03"),
        (2958465, "9999-12-31"),
    ],
)
def test_days_of_the_standard(serial: int, day: str) -> None:
    """Source: ECMA-376 Part 1, 18.17.4.1."""
    raw = xlsx(HEAD, ("A", "one", "EV1", serial), formats={"D2": "yyyy-mm-dd"})
    assert str(read_workbook(raw, "s")[0].rows[1][3]) == f"{day}T00:00:00Z"


@pytest.mark.parametrize(
    ("number_format", "kind"),
    [
        ("General", "number"), ("0.00", "number"), ("0.00E+00", "number"), ('0 "min"', "number"), ("#,##0 [$\u20ac-407]", "number"),
        ("[h]:mm", "span"), ("[mm]:ss", "span"), ("[hh]:mm:ss.0", "span"), ("h:mm", "clock"), ("h:mm AM/PM", "clock"), ("mm:ss", "clock"),
        ("yyyy-mm-dd", "instant"), ("d. mmm", "instant"), ("[$-409]d/m/yy h:mm", "instant"), ("0 %", "percent"), ("@", "number"),
        ("[Red]0;[Blue]0", "number"), ("0\\ \\d", "number"),
    ],
)  # fmt: skip
def test_what_a_number_format_shows(number_format: str, kind: str) -> None:
    assert kind_of_format(number_format) == kind


def spoilt_sheet() -> bytes:
    rows = [
        HEAD,
        *(("A", f"s{n}", "EV1", "8 min") for n in range(2, 8)),
        ("A", "s8", "EV1", "#DIV/0!"),
        ("A", "s9", "EV1", "=8"),
    ]

    def change(book: Any, sheet: Any) -> None:
        sheet["D8"].data_type = "e"
        sheet.row_dimensions[6].hidden = sheet.row_dimensions[7].hidden = True

    return xlsx(*rows, change=change)


def test_8_hidden_rows_errors_and_formulas_come_in_one_run() -> None:
    failed = (
        "s.xlsx:8:4: row 8, column D (Duration): holds #DIV/0!; mend the formula",
        "s.xlsx:9:4: row 9, column D (Duration): is a formula that was never computed; open the sheet in a spreadsheet program and save it",
    )
    assert refusals(spoilt_sheet()) == (
        "s.xlsx:6:1: rows 6 to 7 are hidden; say --hidden read or --hidden skip",
        *failed,
    )
    assert refusals(spoilt_sheet(), hidden="skip") == failed == refusals(spoilt_sheet(), hidden="read")


def test_8_hidden_rows_are_skipped_or_read() -> None:
    def change(book: Any, sheet: Any) -> None:
        sheet.row_dimensions[3].hidden = True
        sheet.column_dimensions["E"].hidden = True

    rows = [(*HEAD, "Site"), ("A", "one", "EV1", "8 min", "here"), ("A", "two", "EV1", "9 min", "there")]
    raw = xlsx(*rows, change=change)
    assert len(refusals(raw)) == 2
    skipped, read = sheet_of(raw, hidden="skip"), sheet_of(raw, hidden="read")
    assert [(s.row, s.time, s.text) for s in skipped.steps] == [(2, 480, {})]
    assert [(s.row, s.time, s.text) for s in read.steps] == [
        (2, 480, {"site": "here"}),
        (3, 540, {"site": "there"}),
    ]


def test_8_two_columns_of_one_meaning() -> None:
    raw = xlsx((*HEAD, "Duration"), ("A", "one", "EV1", "8 min", "9 min"))
    assert refusals(raw) == (
        's.xlsx:1:4: columns D and E: are both read as time; say which: --columns "@D=time"',
    )


def test_merges_are_blanks_below_a_name_but_not_in_a_column_of_times() -> None:
    rows = [HEAD, ("A", "one", "EV1", "8 min"), (None, "two", "EV1", "9 min")]
    named = xlsx(*rows, change=lambda book, sheet: sheet.merge_cells("A2:A3"))
    assert [step.task for step in sheet_of(named).steps] == ["A", "A"]
    timed = xlsx(*rows, change=lambda book, sheet: sheet.merge_cells("D2:D3"))
    assert (
        refusals(timed)[0]
        == "s.xlsx:2:4: rows 2 to 3, column D (Duration): is one merged cell; write a time in each row"
    )


def test_which_sheet_is_meant() -> None:
    def change(book: Any, sheet: Any) -> None:
        sheet.title = "Day 1"
        other = book.create_sheet("Day 2")
        for row in (HEAD, ("B", "two", "EV2", "9 min")):
            other.append(row)
        book.create_sheet("Notes").append(("nothing", "here"))

    raw = xlsx(HEAD, ("A", "one", "EV1", "8 min"), change=change)
    assert refusals(raw) == ('s.xlsx: sheets Day 1 and Day 2 both hold steps; say --sheet "Day 1"',)
    assert sheet_of(raw, sheet="day 2").steps[0].task == "B"
    with pytest.raises(WrongUsage, match="--sheet: the workbook has no sheet 'Dya 2'; did you mean Day"):
        sheet_of(raw, sheet="Dya 2")

    def hide(book: Any, sheet: Any) -> None:
        change(book, sheet)
        book["Day 2"].sheet_state = "hidden"

    assert sheet_of(xlsx(HEAD, ("A", "one", "EV1", "8 min"), change=hide)).steps[0].task == "A"


PLAIN = xlsx(HEAD, ("A", "one", "EV1", "8 min"))
XFD = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
FAR = ods_row("A", "one", "EV1", ods_time("PT8M"), attributes='table:number-rows-repeated="1048576"')
LOCKED = (
    '<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"><m:file-entry m:full-path="content.xml">'
    "<m:encryption-data/></m:file-entry></m:manifest>"
)


def entities(name: str, content: bytes) -> bytes:
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    return content.replace(b"<worksheet", bomb + b"<worksheet", 1) if "sheet1" in name else content


def swollen() -> bytes:
    """A package whose directory says that a member is 1.5 GB unpacked, as that of such a bomb does."""
    out = io.BytesIO(PLAIN)
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/media/big.xml", b" ")
    raw = bytearray(out.getvalue())
    size = raw.rindex(b"PK\x01\x02") + 24
    raw[size : size + 4] = (1500 * 2**20).to_bytes(4, "little")
    return bytes(raw)


COMPOUND = b"\xd0\xcf\x11\xe0" + bytes(range(256)) * 40
HOSTILE = {
    "the last cell there is": (sheet_xml(PLAIN, "</sheetData>", XFD), "has a value in row 1,048,576 and column 16,384; at most"),
    "entities": (repacked(PLAIN, entities), "defines entities; save it again in a spreadsheet program"),
    "cut off": (PLAIN[: len(PLAIN) // 2], "is damaged, or cut off; save it again as .xlsx"),
    "damaged inside": (repacked(PLAIN, lambda name, content: content[:60] if "sheet1" in name else content), "is damaged ("),
    "no sheet inside": (repacked(PLAIN, lambda name, content: None if "worksheets" in name else content), "is damaged ("),
    "a password": (ods([FAR], manifest=LOCKED), "is protected by a password; save it without one"),
    "another password": (COMPOUND + "EncryptedPackage".encode("utf-16-le"), "is protected by a password; save it without one"),
    "repeated a million times": (ods([ods_row(*HEAD), FAR]), "has a value in row 1,048,577 and column 4; at most"),
    "no workbook at all": (COMPOUND, "cannot be read ("),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_9_a_hostile_file_is_one_line(name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    raw, line = HOSTILE[name]
    path = tmp_path / "s.xlsx"
    path.write_bytes(raw)
    assert main(["import", str(path), "--out", str(tmp_path / "p.yaml")]) == 1
    out, err = capfd.readouterr()
    assert out == "" and err.startswith(f"{path}: {line}") and err.count("\n") == 1, err
    assert not (tmp_path / "p.yaml").exists()


def test_9_a_member_of_a_gigabyte_and_a_half_is_not_unpacked() -> None:
    (line,) = refusals(swollen())
    assert line == "s.xlsx: is 1,500 MB unpacked; at most 64 MB are read"


def test_9_a_merge_of_everything_is_read() -> None:
    raw = sheet_xml(
        PLAIN,
        "</sheetData>",
        '</sheetData><mergeCells count="1"><mergeCell ref="A5:XFD1048576"/></mergeCells>',
    )
    assert [step.time for step in sheet_of(raw).steps] == [480]


def test_9_what_ends_the_reader_is_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A child that dies says nothing, and one that has no memory says so."""
    monkeypatch.setattr("tracker.plan.workbook.sys.executable", "/bin/false")
    assert refusals(PLAIN) == ("s.xlsx: cannot be read (its reader gave up); save it again as .xlsx",)


def test_quirks_of_other_writers() -> None:
    """Rows and cells without places, inline text, and prefixed elements."""
    raw = xlsx(HEAD)

    def edit(name: str, content: bytes) -> bytes:
        if "sheet1" not in name:
            return content
        text = "".join(
            f'<x:c t="inlineStr"><x:is><x:t>{cell}</x:t></x:is></x:c>'
            for cell in ("A", "one", "EV1", "8 min")
        )
        head = "".join(f'<x:c t="inlineStr"><x:is><x:t>{cell}</x:t></x:is></x:c>' for cell in HEAD)
        return (
            '<x:worksheet xmlns:x="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><x:sheetData>'
            f"<x:row>{head}</x:row><x:row>{text}</x:row></x:sheetData></x:worksheet>"
        ).encode()

    assert [(s.do, s.time) for s in sheet_of(repacked(raw, edit)).steps] == [("one", 480)]


def test_an_ods_tells_what_is_hidden_failed_and_uncomputed() -> None:
    failed = '<table:table-cell office:value-type="string" calcext:value-type="error"><text:p>#REF!</text:p></table:table-cell>'
    never = '<table:table-cell table:formula="of:=8"/>'
    rows = [
        ods_row(*HEAD),
        ods_row("A", "one", "EV1", ods_time("PT8M"), attributes='table:visibility="filter"'),
        ods_row("A", "two", "EV1", failed),
        ods_row("A", "three", "EV1", never),
    ]
    assert [line.partition(": ")[2].partition(";")[0] for line in refusals(ods(rows))] == [
        "row 2 is hidden",
        "row 3, column D (Duration): holds #REF!",
        "row 4, column D (Duration): is a formula that was never computed",
    ]


def test_rows_in_words() -> None:
    assert [shown_rows(rows) for rows in ([7], [11, 12, 13], [4, 6, 9, 10])] == [
        "row 7",
        "rows 11 to 13",
        "rows 4, 6 and 9 to 10",
    ]


def test_starts_and_ends() -> None:
    head = ("Task", "Step", "Crew", "Start", "End", "Duration")
    rows = [
        ("A", "a", "EV1", "0:00", "0:08", "0:08"),
        ("A", "b", "EV1", "23:55", "0:07", ""),
        ("A", "c", "EV1", "0:20", "0:10", ""),
        ("A", "d", "EV1", "0:20", "0:32", "0:10"),
    ]
    assert refusals(xlsx(head, *rows)) == (
        "s.xlsx:4:4: row 4, columns D (Start) and E (End): end lies before start; write the date as well",
        's.xlsx:5:4: row 5, columns D (Start), E (End) and F (Duration): end - start is 0:12 and Duration 0:10; leave one of them out with --columns "Duration=-"',
    )
    sheet = sheet_of(xlsx(head, *rows[:2]))
    assert [step.time for step in sheet.steps] == [480, 720]
    unread = sheet_of(xlsx(head, ("A", "a", "EV1", "soon", "", "8 min")))
    assert unread.remarks == ["column D (Start) holds what is no start or end: not read"]


def test_starts_alone_last_until_the_next_of_the_same_member() -> None:
    head = ("Step", "Crew", "PET", "End")
    rows = [
        ("a", "EV1", "0:00", ""),
        ("b", "EV2", "0:05", ""),
        ("c", "EV1, EV2", "0:12", ""),
        ("d", "EV1", "0:20", "0:30"),
        ("e", "EV2", "0:20", ""),
    ]
    lines = refusals(xlsx(head, *rows), columns="PET=start")
    assert lines == (
        "s.xlsx:6:3: row 6, column C (PET): is the last start of EV2, and says no end; write an end, or a row with the time behind it",
    )
    sheet = sheet_of(xlsx(head, *rows, ("", "", "0:45", "")), columns="PET=start")
    assert [step.time for step in sheet.steps] == [720, 420, 480, 600, 1500]


def test_the_paper_timeline_of_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "t.xlsx"
    rows = [
        ("PET", "EV1", "EV2"),
        ("0:00", "Open the hatch", "Watch"),
        ("0:10", "Go out", "Go out"),
        ("0:25", "Bolt", ""),
        ("0:40", "", ""),
    ]
    path.write_bytes(xlsx(*rows))
    options = ["--columns", "PET=start, EV1=does:EV1, EV2=does:EV2", "--limit", "2:00"]
    assert main(["import", str(path), "--out", str(tmp_path / "p.yaml"), *options]) == 0
    out = capsys.readouterr().out
    assert "column B (EV1) is read as what EV1 does\n" in out
    assert "on paper everybody is inside at 0:40\n" in out
    written = (tmp_path / "p.yaml").read_text()
    assert (
        "do: Go out, crew: [EV1, EV2], time: 0:15" in written
        and "do: Bolt, crew: [EV1], time: 0:15" in written
    )


def test_starts_that_the_plan_does_not_keep_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Step,Crew,Start,End\na,EV1,14:00,14:10\nb,EV1,14:30,14:40\n")
    assert main(["import", str(path), "--out", str(tmp_path / "p.yaml")]) == 0
    said = "1 of 2 steps start elsewhere on paper, most: row 3, 0:20 earlier; a plan has no fixed starts: use needs or a window"
    assert said in capsys.readouterr().out


def test_a_mapping_is_written_mended_and_read_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, mapping = tmp_path / "t.xlsx", tmp_path / "map.yaml"
    rows = [
        ("Titel", "", "", "", "", ""),
        ("Aufgabe", "Schritt", "Anna Berg", "Bo", "Dauer", "Prio"),
        ("A", "eins", "ja", "", 0.25, "must"),
        ("B", "zwei", "", "x", 0.5, "get-ahead"),
    ]
    path.write_bytes(xlsx(*rows))
    options = ["--columns", "Dauer=time:h", "--write-mapping", str(mapping)]
    assert main(["import", str(path), "--out", str(tmp_path / "a.yaml"), *options]) == 0
    assert mapping.read_text().splitlines()[1:] == [
        "sheet: Sheet", "header_row: 2", "columns:", "  Aufgabe: task", "  Schritt: step",
        '  Anna Berg: "crew:Anna-Berg"', '  Bo: "crew:Bo"', '  Dauer: "time:h"', "  Prio: priority", "crew:", "  Anna Berg: Anna-Berg",
    ]  # fmt: skip
    mended = (
        mapping.read_text().replace("crew:Anna-Berg", "crew:EV1").replace("Berg: Anna-Berg", "Berg: EV1")
        + "priorities: {P1: must, P3: get-ahead}\n"
    )
    mapping.write_text(mended)
    path.write_bytes(xlsx(*rows[:2], (*rows[2][:5], "P1"), (*rows[3][:5], "P3")))
    assert main(["import", str(path), "--out", str(tmp_path / "b.yaml"), "--mapping", str(mapping)]) == 0
    a, b = ((tmp_path / name).read_text() for name in ("a.yaml", "b.yaml"))
    assert b == a.replace("id: Anna-Berg, name: Anna Berg", "id: EV1").replace("Anna-Berg", "EV1")
    capsys.readouterr()


def test_faults_of_a_mapping_have_their_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, mapping = tmp_path / "t.xlsx", tmp_path / "map.yaml"
    path.write_bytes(PLAIN)
    mapping.write_text(
        "colums: {}\nheader_row: none\nhidden: maybe\ncolumns: {A: tme}\ncrew: {Ann: A B}\npriorities: {P1: high}\nunits: {A: weeks}\n"
    )
    assert main(["import", str(path), "--out", str(tmp_path / "p.yaml"), "--mapping", str(mapping)]) == 1
    assert [
        line.removeprefix(f"{mapping}:").partition(";")[0] for line in capsys.readouterr().err.splitlines()
    ] == [
        "1:1: colums: is not a key of a mapping",
        "2:13: header_row: 'none' is no row",
        "3:9: hidden: 'maybe' is not known here",
        "4:14: columns.A: 'tme' is no key of a column",
        "5:13: crew.Ann: 'A B' is not known here",
        "6:18: priorities.P1: 'high' is not known here",
        "7:8: units: 'weeks' is no unit of a",
    ]
