# ruff: noqa: E501
"""What a cell of times means and in which unit its bare numbers are: never guessed from their size."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plan.sheets import parse_span, read_sheet
from tracker.cli.main import main
from tracker.foundation.errors import PlanError, WrongUsage
from tracker.plan.cells import Cell, span_of, typed_cell, unit_in
from tracker.plan.columns import Wishes, parse_columns
from tracker.plan.sheet import Sheet, read_rows
from tracker.plan.sheet_plan import bare_unit, plan_of_sheet
from tracker.plan.sheet_table import read_table


def sheet_of(cells: list[str], heading: str = "Duration", **wishes: object) -> Sheet:
    rows = "".join(f'do it;EV1;"{cell}"\n' for cell in cells)
    named = parse_columns(str(wishes.pop("columns", "")))
    return read_sheet(f"Do;Crew;{heading}\n{rows}", "s.csv", Wishes(named, **wishes))  # type: ignore[arg-type]


def seconds(cells: list[str], heading: str = "Duration", **wishes: object) -> list[int]:
    return [step.time for step in sheet_of(cells, heading, **wishes).steps]


def refusals(cells: list[str], heading: str = "Duration", **wishes: object) -> tuple[str, ...]:
    with pytest.raises(PlanError) as error:
        sheet_of(cells, heading, **wishes)
    return error.value.lines


def test_2_a_fraction_of_a_day_is_no_step_of_a_second() -> None:
    """Twenty minutes as a spreadsheet holds them, in a cell that shows a bare number."""
    assert refusals(["0.0138888888888889"]) == (
        "s.csv:1:3: column C (Duration): 1 number without a unit; as minutes 0:00:01, as hours 0:00:50, "
        'as fractions of a day 0:20; say --columns "Duration=time:d"',
    )
    assert seconds(["0.0138888888888889"], columns="Duration=time:d") == [1200]
    two = ["0.005555555555555556", "1.1458333333333333"]
    assert 'say --columns "Duration=time:' in refusals(two)[0]
    assert seconds(two, columns="Duration=time:d") == [480, 99_000]


def test_a_heading_of_minutes_does_not_make_twenty_minutes_a_second() -> None:
    """All of a column, and one cell among others; what somebody says of the column is obeyed."""
    head = "Duration (min)"
    hint = 'or say --columns "Duration (min)=time:min" or "Duration (min)=time:d"'
    assert refusals(["0.0139", "0.25"], head) == (
        "s.csv:2:3: row 2, column C (Duration (min)): '0.0139' would be 0.83 s in minutes, as a fraction of a day 0:20; "
        f"write 0:20, {hint}",
        "s.csv:3:3: row 3, column C (Duration (min)): '0.25' would be 0:00:15 in minutes, as a fraction of a day 6:00; "
        f"write 6:00, {hint}",
    )
    assert (
        len(refusals(["12", "0.0139", "0.5"], head)) == len(refusals(["0.0069..0.0139..0.0208"], head)) == 1
    )
    assert "write 0:20 if it is a fraction of a day" in refusals(["0.0139"], "Duration (h:mm)")[0]
    assert "would be 0:00:50 in hours" in refusals(["0.0139", "0.0208"], "Duration (h)")[0]
    assert seconds(["12", "0.5", "0.25 h"], head) == [720, 30, 900]
    assert seconds(["0.083", "0.25"], "Duration (h)") == [299, 900]
    assert seconds(["0.0138888888889"], head, columns=f"{head}=time:d") == [1200]
    assert seconds(["0.5"], head, columns=f"{head}=time:min") == [30]
    assert seconds(["0.0139", "0.02"], "Duration", columns="Duration=time:min") == [1, 1]
    assert refusals(["12", "0.0139"], "Duration", columns="Duration=time:min") == (
        "s.csv:3:3: row 3, column C (Duration): '0.0139' would be 0.83 s in minutes, as a fraction of a day 0:20; "
        "write 0:20",
    )
    starts = "Do,Crew,Start (min),End (min)\na,EV1,0.0139,0.0278\n"
    with pytest.raises(
        PlanError, match="1 s before what comes next, in minutes; write clocks, or say the unit"
    ):
        read_sheet(starts, "s.csv")


@pytest.mark.parametrize(
    "heads", ["Minutes,H:MM", "Duration (min),Duration (h:mm)", "Duration (h:mm),Minutes"]
)
def test_two_columns_of_one_time_are_compared(heads: str) -> None:
    """To the minute where either shows no seconds; hours beside minutes as parts of one time do not agree."""
    second = ["20", "0:20"] if heads.endswith("Minutes") else ["0:20", "20"]
    first = second[::-1]
    sheet = read_sheet(f"Do,Crew,{heads}\na,EV1,{first[0]},{second[0]}\n", "s.csv")
    assert (sheet.steps[0].time, sheet.columns.unread) == (1200, ())
    with pytest.raises(PlanError) as error:
        read_sheet(f"Do,Crew,{heads}\na,EV1,{first[0]},{second[0].replace('20', '25')}\n", "s.csv")
    (line,) = error.value.lines
    assert (
        line.startswith("s.csv:2:")
        and "says 0:2" in line
        and "mend one, or leave one out with --columns" in line
    )
    with pytest.raises(PlanError, match="says 1:00 and column D"):
        read_sheet("Do,Crew,Hours,Minutes\na,EV1,1,20\n", "s.csv")


def test_columns_of_one_time_by_other_words_are_compared() -> None:
    """Whatever two words for the planned time; a column without a unit agrees in one unit throughout."""
    for heads, row, agreed in [
        ("Duration (min),Time (h)", "35,3.5", "35,0.58333"),
        ("Duration (min),Time", "35,40", "35,0:35"),
        ("Planned (min),Duration (h)", "35,3.5", "35,0.58333"),
        ("Duration (min),Planned time (min)", "35,40", "35,35"),
        ("Duration (min),Est. time", "35,40", "35,35"),
        ("Duration (min),Estimate", "35,35 min or so", "35,-"),
        ("Duration (min),Duration (h),Duration (min)", "35,0.583,40", ""),
    ]:
        head = f"Do,Crew,{heads}\nb,EV1,{'20,20 min' + ',20' * (heads.count(',') - 1)}\n"
        with pytest.raises(PlanError, match=r'leave one out with --columns "@|are both read as time'):
            read_sheet(f"{head}a,EV1,{row}\n", "s.csv")
        one = Wishes(parse_columns("@C=time"))
        assert [step.time for step in read_sheet(f"{head}a,EV1,{row}\n", "s", one).steps] == [1200, 2100]
        if agreed:
            sheet = read_sheet(f"{head}a,EV1,{agreed}\n", "s")
            assert ([step.time for step in sheet.steps], sheet.columns.unread) == ([1200, 2100], ())
    with pytest.raises(PlanError) as error:
        read_sheet("Do,Crew,Duration (min),Est. time\na,EV1,35,3.5\n", "s.csv")
    assert error.value.lines == (
        "s.csv:2:4: row 2, column D (Est. time): says '3.5' and column C (Duration (min)) 0:35; "
        'mend one, or leave one out with --columns "@D=-" or "@C=-"',
    )
    other = "Low,High,Expected,Actual time,Elapsed time,Start,Nominal"
    sheet = read_sheet(
        f"Do,Crew,Duration (min),{other}\na,EV1,35,0:30,0:50,0:38,0:41,2:00,0:00,yes it is\n", "s"
    )
    assert sheet.columns.again == () and sheet.steps[0].time == 2100


@pytest.mark.parametrize(
    ("text", "expected"),
    [("PT36H", 129_600), ("P1DT12H", 129_600), ("PT0,5H", 1800), ("PT0.5H", 1800), ("P1D", 86_400), ("PT1M30S", 90)],
)  # fmt: skip
def test_5_durations_of_the_standard(text: str, expected: int) -> None:
    """ISO 8601 with a point or a comma; `P1DT12H` and `PT36H` are one value of XML Schema's dayTimeDuration."""
    assert seconds([text]) == [expected]


@pytest.mark.parametrize("text", ["P15DT5H0M20S", "P7W", "-PT8M", "P1M", "P1Y", "P", "PT"])
def test_5_durations_that_no_step_can_have(text: str) -> None:
    """`P15DT5H0M20S` and `P7W` are examples of RFC 5545, 3.3.6; the first is 1,314,020 s, over 100 hours."""
    (line,) = refusals([text])
    assert line.startswith(f"s.csv:2:3: row 2, column C (Duration): '{text}' is n")


def test_6_what_may_be_two_numbers_is_refused() -> None:
    (line,) = refusals(["1,200"], "Duration (s)")
    assert line == (
        "s.csv:2:3: row 2, column C (Duration (s)): '1,200' may be 1200 or 1.2; "
        "write one of them, or say --decimal . (or ,)"
    )
    assert seconds(["1,200"], "Duration (s)", decimal=".") == [1200]
    assert seconds(["1,200"], "Duration (h)", decimal=",") == [4320]
    assert seconds(["1.200", "1.200,5"], "Duration (s)", decimal=",") == [1200, 1200]
    # No thousands begin with a nought.
    assert seconds(["0,125"], "Duration (h)") == [450]
    assert "is not a number with . before its decimals" in refusals(["7,5"], "Time (min)", decimal=".")[0]


def test_6_bare_numbers_among_clocks() -> None:
    assert refusals(["8", "0:12", "480"]) == (
        "s.csv:1:3: column C (Duration): 8 in row 2, 480 in row 4 have no unit among clocks; "
        'write 0:08 or 8 min, or say --columns "Duration=time:min"',
    )
    assert seconds(["8", "0:12"], columns="Duration=time:min") == [480, 720]
    assert seconds(["8", "0:12"], "Duration (min)") == [480, 720]
    assert seconds(["8 min", "0:12", "1h05"]) == [480, 720, 3900]


def test_7_headings_of_another_language_in_the_western_code_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "plan.csv"
    sheet.write_bytes(
        "Aufgabe;Schritt;Wer;Dauer (min);Vorgänger\nHaus;eins;EV1;8;\nHaus;zwei;EV2;12,5;eins\n".encode(
            "cp1252"
        )
    )
    assert main(["import", str(sheet), "--out", str(tmp_path / "p.yaml")]) == 0
    said = capsys.readouterr().out
    assert "Windows-1252" in said and "column E (Vorgänger) is read as needs\n" in said
    assert "column D (Dauer (min)) is read as time, in minutes: 0:08:00 to 0:12:30, 0:20:30 in all\n" in said
    written = (tmp_path / "p.yaml").read_text()
    assert "time: 0:12:30, needs: [Haus.eins]" in written


@pytest.mark.parametrize(
    ("headings", "keys"),
    [
        ("Tâche,Étape,Qui,Durée", {"task": 0, "step": 1, "crew": 2, "time": 3}),
        ("Tarea,Paso,Quién,Duración,Lugar", {"task": 0, "step": 1, "crew": 2, "time": 3, "site": 4}),
        ("Attività,Descrizione,Chi,Durata,Priorità", {"task": 0, "do": 1, "crew": 2, "time": 3, "priority": 4}),
        ("Tarefa,Descrição,Quem,Duração,Depois de", {"task": 0, "do": 1, "crew": 2, "time": 3, "needs": 4}),
        ("Taak,Omschrijving,Wie,Duur,Aantal", {"task": 0, "do": 1, "crew": 2, "time": 3, "count": 4}),
    ],
)  # fmt: skip
def test_headings_in_other_languages(headings: str, keys: dict[str, int]) -> None:
    cells = {"time": "8", "crew": "EV1", "count": "2", "priority": "", "needs": "", "site": "x"}
    row = ",".join(cells.get(next(k for k, i in keys.items() if i == at), "x") for at in range(len(keys)))
    found = read_sheet(f"{headings}\n{row}\n", "s").columns.keys
    assert keys.items() <= dict(found).items()


def test_8_errors_and_equal_headings_come_in_one_run() -> None:
    text = "Task,Do,Crew,Duration,Notes\nA,a,EV1,#DIV/0!,\nA,b,#REF!,8,\nA,c,EV1,soon,#N/A\n"
    with pytest.raises(PlanError) as error:
        read_sheet(text, "s.csv")
    assert error.value.lines == (
        "s.csv:2:4: row 2, column D (Duration): holds #DIV/0!; mend the formula",
        "s.csv:3:3: row 3, column C (Crew): holds #REF!; mend the formula",
        "s.csv:4:4: row 4, column D (Duration): 'soon' is not a duration; write 0:08, 8 min, 1h05 or 01:05:00",
    )
    sheet = read_sheet(text.replace("#DIV/0!", "8").replace("#REF!", "EV1").replace("soon", "9"), "s.csv")
    assert "row 4, column E (Notes) holds #N/A: not read" in sheet.remarks
    with pytest.raises(PlanError) as error:
        read_sheet("Do,Duration,Crew,Duration (min)\na,8,EV1,8\n", "s.csv")
    assert error.value.lines == (
        's.csv:1:2: columns B and D: are both read as time; say which: --columns "@B=time"',
    )
    sheet = read_sheet("Do,Duration,Crew,Duration (min)\na,8,EV1,9\n", "s", Wishes(parse_columns("@D=time")))
    assert sheet.steps[0].time == 540


def test_whole_numbers_to_240_are_minutes_and_it_is_said() -> None:
    sheet = sheet_of(["5", "25", "240"])
    assert sheet.said == {2: ", in minutes: 0:05 to 4:00, 4:30 in all"}
    (line,) = refusals(["5", "241"])
    assert line.startswith(
        "s.csv:1:3: column C (Duration): 2 numbers without a unit; as seconds 0:00:05 to 0:04:01, as minutes 0:05 to 4:01"
    )
    assert "number" in refusals(["8.5"])[0] and "numbers" in refusals(["8", "7,5"])[0]
    assert "as seconds" not in refusals(["0.25"])[0]


@pytest.mark.parametrize("heading", ["Duration (d)", "Duration [days]", "Duration in days", "Dauer (Tage)"])
def test_a_heading_may_speak_of_days(heading: str) -> None:
    assert seconds(["0.25"], heading) == [21_600]


def test_a_day_of_the_calendar_is_no_unit() -> None:
    assert unit_in("Duration day 1") is None and unit_in("Day 2 time (min)") == "min"


@settings(max_examples=30, deadline=None)
@given(
    minutes=st.lists(st.integers(1, 60), min_size=3, max_size=20),
    unit=st.sampled_from(["d", "h", "min", "s"]),
    slack=st.floats(0.26, 4.9),
)
def test_against_the_limit_the_unit_is_exact(minutes: list[int], unit: str, slack: float) -> None:
    """A factor of 20 between the earliest and the latest end that fits, units 24 or 60 apart."""
    per = {"d": 1440, "h": 60, "min": 1, "s": 1 / 60}[unit]
    text = "Do,Crew,Duration\n" + "".join(f"x,EV1,{n / per:.12f}\n" for n in minutes)
    limit = max(60, round(sum(minutes) * 60 * slack))
    if limit > 100 * 3600:
        return
    table = read_table(text, "s.csv")
    wishes = Wishes(bare=bare_unit(table, "s.csv", Wishes(), limit))
    assert wishes.bare == unit
    sheet = read_rows(table, "s.csv", wishes)
    assert [step.time for step in sheet.steps] == [n * 60 for n in minutes]
    assert "for only so the plan ends near its limit" in sheet.said[2]


def test_a_sheet_of_a_part_of_the_work_stays_in_minutes() -> None:
    table = read_table("Do,Crew,Duration\nx,EV1,5\n", "s.csv")
    assert bare_unit(table, "s.csv", Wishes(), 50 * 60) == ""
    # In seconds or minutes far too early or too late, in hours and days more than 100 hours.
    late = read_table("Do,Crew,Duration\n" + "x,EV1,200\n" * 5, "s.csv")
    assert bare_unit(late, "s.csv", Wishes(), 3 * 3600) == "?"
    with pytest.raises(PlanError, match="5 numbers without a unit"):
        read_rows(late, "s.csv", Wishes(bare="?"))
    # A stated unit is nobody's choice.
    stated = read_table("Do,Crew,Duration (min)\nx,EV1,5\n", "s.csv")
    assert bare_unit(stated, "s.csv", Wishes(), 300) == ""


def test_ranges_in_one_cell() -> None:
    steps = sheet_of(["8-12 min", "8..12..20 min", "0:08 - 0:13", "90 s \u2013 2 min"]).steps
    assert [(step.low, step.time, step.high) for step in steps] == [
        (480, 600, 720), (480, 720, 1200), (480, 630, 780), (90, 105, 120),
    ]  # fmt: skip
    with pytest.raises(PlanError, match=r"column E \(High\): is empty, and the other of low and high is not"):
        read_sheet("Do,Crew,Low,Time,High\na,EV1,5,8,\n", "s.csv")


def test_cells_of_a_workbook_by_kind() -> None:
    assert span_of(typed_cell("span", 1.1458333333333333)).seconds == pytest.approx(99_000)
    assert span_of(typed_cell("clock", 0.005555555555555556)).seconds == pytest.approx(480)
    with pytest.raises(ValueError, match=r"^shows 3:30 and holds 27:30; format it as \[h\]:mm$"):
        span_of(typed_cell("clock", 1.1458333333333333))
    for kind, value in (("percent", 0.5), ("yes/no", True), ("instant", "2031-05-04T14:00:00Z")):
        with pytest.raises(ValueError, match="is "):
            span_of(typed_cell(kind, value))  # type: ignore[arg-type]
    assert [typed_cell("number", value) for value in (1.0, 12.5, 1e20)] == ["1", "12.5", "1e+20"]
    assert (typed_cell("yes/no", True), typed_cell("span", 0.5), Cell("x").kind) == (
        "yes",
        "12:00:00",
        "text",
    )


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("Dauer", "'Dauer' is no column; write HEADING=KEY"),
        ("Dauer=tme", "'tme' is no key of a column; did you mean time?"),
        ("Dauer=who", "'who' is no key of a column; did you mean crew?"),
        ("Dauer=time:weeks", "'weeks' is no unit of time"),
        ("A=time,B=time", "time is named twice"),
        ("A=crew:EV1,B=crew:EV1", "crew:EV1 is named twice"),
    ],
)  # fmt: skip
def test_columns_named_wrongly(text: str, line: str) -> None:
    with pytest.raises(WrongUsage) as error:
        parse_columns(text)
    assert line in error.value.lines[0]


def test_columns_named_by_somebody_win() -> None:
    named = parse_columns('"A, b"=do, @C=crew:EV2, T=time:m:ss, Do=-')
    text = '"A, b",Anna,x,T,Do\nopen it,x,,8:30,nothing\nshut it,ja,x,0:30,nothing\n'
    marked = read_sheet(text, "s.csv", Wishes(named))
    assert [s.crew for s in marked.steps] == [["Anna"], ["Anna", "EV2"]], "who was not named has a column too"
    named = (*named, *parse_columns("Anna=crew:EV1"))
    sheet = read_sheet(text, "s.csv", Wishes(named))
    assert [(s.do, s.crew, s.time) for s in sheet.steps] == [
        ("open it", ["EV1"], 510),
        ("shut it", ["EV1", "EV2"], 30),
    ]
    assert sheet.columns.unread == ()
    with pytest.raises(WrongUsage, match=r"has no column 'Duraton'; did you mean Duration\?"):
        read_sheet("Do,Crew,Duration\na,EV1,8\n", "s.csv", Wishes(parse_columns("Duraton=time")))
    only = Wishes(parse_columns("Do=do, Crew=crew, T=time"), only=True)
    assert read_sheet("Do,Crew,T,Priority\na,EV1,8,nonsense\n", "s.csv", only).columns.unread == ("Priority",)


def test_numbers_elsewhere_are_not_cut_down() -> None:
    with pytest.raises(PlanError, match="'1,000' may be 1000 or 1"):
        read_sheet('Do,Crew,Time,Count\na,EV1,8,"1,000"\n', "s.csv")
    text = 'Task,Do,Crew,Time,Priority,Value\nA,a,EV1,8,should,"2,5"\n'
    assert "value: 2.5" in plan_of_sheet(read_sheet(text, "s"), excursion="e", limit=None, file="p")


def test_a_heading_in_brackets_is_a_remark() -> None:
    sheet = read_sheet("Do,Crew,Duration,(duration)\na,EV1,8,9\n", "s.csv")
    assert sheet.steps[0].time == 480 and sheet.columns.unread == ("(duration)",)


@pytest.mark.parametrize("text", ["8", "8.5", "7,5"])
def test_a_unit_is_asked_for_where_durations_are_read_by_themselves(text: str) -> None:
    assert parse_span(text, "h") == round(float(text.replace(",", ".")) * 3600)


def test_21_line_breaks_and_quotes_within_a_cell() -> None:
    """The examples of RFC 4180, section 2, 6 and 7."""
    sheet = read_sheet('Do,Crew,Time\r\n"b\r\nbb",EV1,5\r\n"b""bb",EV2,6\r\n', "s.csv")
    assert [(step.row, step.do, step.crew) for step in sheet.steps] == [
        (2, "b bb", ["EV1"]),
        (3, 'b"bb', ["EV2"]),
    ]
