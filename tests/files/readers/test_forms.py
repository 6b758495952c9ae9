"""Tables and forms as people keep them: each is read as its writer meant it."""

import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.files.readers.found import describe_reading
from grr.files.table_file import read_readings
from grr.model.errors import StudyError


def read(tmp_path, text, name="study.csv", **options):
    file = tmp_path / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_readings(file, **options)


def places(readings):
    """Return {(part, operator, trial): reading}."""
    keys = zip(readings["part"], readings["operator"], readings["trial"], strict=True)
    return dict(zip(keys, readings["reading"], strict=True))


TWO_BY_TWO = {
    ("1", "A", 1): 10.1,
    ("1", "A", 2): 10.2,
    ("1", "B", 1): 10.3,
    ("1", "B", 2): 10.4,
    ("2", "A", 1): 20.1,
    ("2", "A", 2): 20.2,
    ("2", "B", 1): 20.3,
    ("2", "B", 2): 20.4,
}

#: The same eight readings, written in many ways.
WAYS = {
    "long": """part,operator,trial,reading
1,A,1,10.1
1,A,2,10.2
1,B,1,10.3
1,B,2,10.4
2,A,1,20.1
2,A,2,20.2
2,B,1,20.3
2,B,2,20.4
""",
    "long with the words of the trade, semicolons and decimal commas": """Gauge study;;;
Sample No.;Appraiser;Repeat;Measured value
1;A;1;10,1
1;A;2;10,2
1;B;1;10,3
1;B;2;10,4
Average;;;10,25

Sample No.;Appraiser;Repeat;Measured value
2;A;1;20,1
2;A;2;20,2
2;B;1;20,3
2;B;2;20,4
Checked by: N.N.;;;
""",
    "one header row": "Part,A1,A2,B1,B2\n1,10.1,10.2,10.3,10.4\n2,20.1,20.2,20.3,20.4\n",
    "spelled out": "Part no.,A trial 1,A trial 2,B trial 1,B trial 2\n"
    "Part 1,10.1,10.2,10.3,10.4\nPart 2,20.1,20.2,20.3,20.4\n",
    "averages and ranges between": "Part,A1,A2,Avg,R,B1,B2,X-bar,Range,Remarks\n"
    "1,10.1,10.2,10.15,0.1,10.3,10.4,10.35,0.1,\n2,20.1,20.2,20.15,0.1,20.3,20.4,,0.1,burr\n"
    "Average,15.1,15.2,,,15.3,15.4,,,\n",
    "two header rows": "Part,A,,B,\n,1,2,1,2\n1,10.1,10.2,10.3,10.4\n2,20.1,20.2,20.3,20.4\n",
    "name of the rows in the second row": ",Operator A,,Operator B,\n"
    "Part,Trial 1,Trial 2,Trial 1,Trial 2\n1,10.1,10.2,10.3,10.4\n2,20.1,20.2,20.3,20.4\n",
    "trials over operators": "Part,Trial 1,,Trial 2,\n,A,B,A,B\n"
    "1,10.1,10.3,10.2,10.4\n2,20.1,20.3,20.2,20.4\n",
    "a blank column between operators": "Part,A,,,B,\n,1,2,,1,2\n"
    "1,10.1,10.2,,10.3,10.4\n2,20.1,20.2,,20.3,20.4\n",
    "part and operator down": "Part,Operator,1st,2nd\n1,A,10.1,10.2\n,B,10.3,10.4\n"
    "2,A,20.1,20.2\n,B,20.3,20.4\n",
    "part and trial down": "Part,Trial,A,B\n1,1,10.1,10.3\n,2,10.2,10.4\n2,1,20.1,20.3\n"
    ",2,20.2,20.4\n",
    "parts across": "Operator,Trial,1,2,Average\nA,1,10.1,20.1,15.1\n,2,10.2,20.2,15.2\n"
    ",Average,10.15,20.15,\n,R,0.1,0.1,\nB,1,10.3,20.3,\n,2,10.4,20.4,\n,Average,1,1,\n,R,0,0,\n"
    "Part average,,10.25,20.25,\n",
    "parts across, one corner for two columns": "Appraiser/Trial #,,PART,,AVERAGE\n,,1,2,\n"
    "1. A,1,10.1,20.1,\n2.,2,10.2,20.2,\n3.,AVE,1,1,\n4.,R,0,0,\n5. B,1,10.3,20.3,\n"
    "6.,2,10.4,20.4,\n",
    "parts and trials across": "Operator,Part 1,,Part 2,\n,1,2,1,2\nA,10.1,10.2,20.1,20.2\n"
    "B,10.3,10.4,20.3,20.4\n",
    "a block for each operator": "Gauge study\nGauge no.,17,Date,3 May\n\nOperator: A\n"
    "Part,1,2\n1,10.1,10.2\n2,20.1,20.2\n\nOperator: B\nPart,1,2\n1,10.3,10.4\n2,20.3,20.4\n\n"
    "Signed,N.N.\n",
    "a block for each trial": "Trial 1\nPart,A,B\n1,10.1,10.3\n2,20.1,20.3\nTrial 2\n"
    "Part,A,B\n1,10.2,10.4\n2,20.2,20.4\n",
    "blocks side by side": "Operator:,A,,,Operator:,B,\nPart,1,2,,Part,1,2\n"
    "1,10.1,10.2,,1,10.3,10.4\n2,20.1,20.2,,2,20.3,20.4\n",
    "no name over the parts": ",A1,A2,B1,B2\n1,10.1,10.2,10.3,10.4\n2,20.1,20.2,20.3,20.4\n",
    "a pivot table": "operator,A,A,B,B\ntrial,1,2,1,2\npart,,,,\n1,10.1,10.2,10.3,10.4\n"
    "2,20.1,20.2,20.3,20.4\n",
    "ranges called R below": "Part,A1,A2,B1,B2\n1,10.1,10.2,10.3,10.4\n"
    "2,20.1,20.2,20.3,20.4\nR,10,10,10,10\n",
    "a row of units": "Part,A1,A2,B1,B2\n,mm,mm,mm,mm\n1,10.1,10.2,10.3,10.4\n"
    "2,20.1,20.2,20.3,20.4\n",
    "a head that looks like a form": "Part,Pin,Operator,N.N.\nGauge,17,Size,10 m5\n\n"
    "Part,A1,A2,B1,B2\n1,10.1,10.2,10.3,10.4\n2,20.1,20.2,20.3,20.4\n",
}


#: The same eight readings under the headings of tables in other languages.
IN_OTHER_LANGUAGES = {
    "German, two header rows": "Teil;Prüfer A;;Prüfer B;\n;1. Messung;2. Messung;1. Messung;"
    "2. Messung\n1;10,1;10,2;10,3;10,4\n2;20,1;20,2;20,3;20,4\nMittelwert;15,1;15,2;15,3;15,4\n",
    "German, one header row": "Teile-Nr.;A Messung 1;A Messung 2;Mittelwert;B Messung 1;"
    "B Messung 2;Spannweite;Bemerkung\n1;10,1;10,2;10,15;10,3;10,4;0,3;Grat\n"
    "2;20,1;20,2;;20,3;20,4;;\n",
    "German, part and operator down": "Teil;Prüfer;1. Messung;2. Messung\n1;A;10,1;10,2\n"
    ";B;10,3;10,4\n2;A;20,1;20,2\n;B;20,3;20,4\n",
    "German, long, Messung numbers the readings": "Werkstück;Bediener;Messung;Messwert\n"
    "1;A;1;10,1\n1;A;2;10,2\n1;B;1;10,3\n1;B;2;10,4\n"
    "2;A;1;20,1\n2;A;2;20,2\n2;B;1;20,3\n2;B;2;20,4\n",
    "French": "N° de pièce;Opérateur;Répétition;Valeur mesurée\n1;A;1;10,1\n1;A;2;10,2\n"
    "1;B;1;10,3\n1;B;2;10,4\n2;A;1;20,1\n2;A;2;20,2\n2;B;1;20,3\n2;B;2;20,4\n"
    "Moyenne;;;15,25\n",
    "French, a form": "Pièce;Opérateur A;;Opérateur B;\n;1ère mesure;2ème mesure;1ère mesure;"
    "2ème mesure\n1;10,1;10,2;10,3;10,4\n2;20,1;20,2;20,3;20,4\nÉtendue;10;10;10;10\n",
    "Spanish": "Pieza;Operador A;;Operador B;\n;1ª medición;2ª medición;1ª medición;2ª medición\n"
    "1;10,1;10,2;10,3;10,4\n2;20,1;20,2;20,3;20,4\nPromedio;15;15;15;15\n",
    "Italian": "Pezzo;Operatore;Prova;Misura\n1;A;1;10,1\n1;A;2;10,2\n1;B;1;10,3\n1;B;2;10,4\n"
    "2;A;1;20,1\n2;A;2;20,2\n2;B;1;20,3\n2;B;2;20,4\n",
    "Polish": "Operator: A\nNr części;Próba 1;Próba 2;Rozstęp\n1;10,1;10,2;0,1\n2;20,1;20,2;0,1\n\n"
    "Operator: B\nNr części;Próba 1;Próba 2;Rozstęp\n1;10,3;10,4;0,1\n2;20,3;20,4;0,1\n"
    "Średnia;15;15;\n",
    "Czech": "Operátor;Měření;Díl 1;Díl 2;Průměr\nA;1;10,1;20,1;\n;2;10,2;20,2;\n;Průměr;1;2;\n"
    "B;1;10,3;20,3;\n;2;10,4;20,4;\n;Průměr;1;2;\n",
    "Czech, long": "Číslo dílu;Operátor;Pokus;Naměřená hodnota\n1;A;1;10,1\n1;A;2;10,2\n"
    "1;B;1;10,3\n1;B;2;10,4\n2;A;1;20,1\n2;A;2;20,2\n2;B;1;20,3\n2;B;2;20,4\n",
}


@pytest.mark.parametrize("way", IN_OTHER_LANGUAGES)
def test_headings_in_other_languages(tmp_path, way):
    assert places(read(tmp_path, IN_OTHER_LANGUAGES[way])) == TWO_BY_TWO


@pytest.mark.parametrize("numbers", ["1;3", "10;11", "1;1", "10,1;10,2"])
def test_messung_is_a_trial_only_where_it_counts_from_one(tmp_path, numbers):
    first, second = numbers.split(";")
    text = f"Teil;Messung;Messwert\n1;{first};10,1\n1;{second};10,2\n"
    with pytest.raises(StudyError, match="the reading"):
        read(tmp_path, text)


@pytest.mark.parametrize("way", WAYS)
def test_same_readings_however_written(tmp_path, way):
    assert places(read(tmp_path, WAYS[way])) == TWO_BY_TWO


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "utf-32"]
)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_encoding_separator_and_line_ends(tmp_path, encoding, separator, line_end):
    text = "part,operator,trial,reading in µm\n1,Åke,1,8.1\n2,Åke,1,9.2\n"
    text = text.replace(",", separator).replace("\n", line_end)
    readings = read(tmp_path, text.encode(encoding))
    assert places(readings) == {("1", "Åke", 1): 8.1, ("2", "Åke", 1): 9.2}
    assert readings.attrs["unit"] == "µm"


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("part,reading\n1,10.1\n2,10.2\n", ""),
        ("part,reading (mm)\n1,10.1\n2,10.2\n", "mm"),
        ("part,size in inches\n1,0.1\n2,0.2\n", "in"),
        ("part,reading\n1,10.1 mm\n2,10.2\n", "mm"),
        ('part,reading\n1,"0.39402"""\n2,"0.39403"""\n', "in"),
        ('part\treading\n1\t0.39402"\n2\t0.39403"\n', "in"),
        ("part,reading,unit\n1,12,uin\n2,13,uin\n", "µin"),
        ("Unit: mm\nPart,A1,A2\n1,10.1,10.2\n", "mm"),
        ("Unit,mm\nPart,A1,A2\n1,10.1,10.2\n", "mm"),
        (",Readings in mm,,,\nPart,A1,A2,B1,B2\n1,1,1,1,1\n", "mm"),
        ("Part,A1 (mm),A2 (mm)\n1,10.1,10.2\n", "mm"),
    ],
)
def test_unit_is_found_where_it_is_stated(tmp_path, text, unit):
    assert read(tmp_path, text).attrs["unit"] == unit


def test_unit_of_the_call_counts_where_the_file_is_silent(tmp_path):
    silent, stated = "part,reading\n1,10.1\n", "part,reading (mm)\n1,10.1\n"
    assert read(tmp_path, silent, unit="inch").attrs["unit"] == "in"
    assert read(tmp_path, stated, unit="mm").attrs["unit"] == "mm"
    with pytest.raises(StudyError, match="mm in the header"):
        read(tmp_path, stated, unit="in")


def test_missing_readings_stay_and_are_named(tmp_path):
    readings = read(tmp_path, "Part,A1,A2\n1,10.1,\n2,n/a,-\n3,,\n")
    assert len(readings) == 6
    missing = [place for place, value in places(readings).items() if math.isnan(value)]
    assert missing == [("1", "A", 2), ("2", "A", 1), ("2", "A", 2), ("3", "A", 1), ("3", "A", 2)]
    told = readings.attrs["taken"]["missing"]
    assert len(told) == 5
    assert told[0] == "part 1, operator A, trial 2 in C2"


def test_decimal_sign_follows_the_other_cells(tmp_path):
    text = "part\treading\n1\t10,008\n2\t10,0081\n"
    assert read(tmp_path, text)["reading"].tolist() == [10.008, 10.0081]
    text = "part\treading\n1\t10,008\n2\t10,009\n"
    assert read(tmp_path, text, decimal=",")["reading"].tolist() == [10.008, 10.009]
    with pytest.raises(StudyError, match="two ways"):
        read(tmp_path, text)
    text = "part;reading\n1;10,008\n2;10,009\n"
    assert read(tmp_path, text)["reading"].tolist() == [10.008, 10.009]


def test_order_time_method_and_note_come_along(tmp_path):
    readings = read(
        tmp_path,
        "order,time,method,part,operator,trial,reading,note,colour\n"
        "1,2026-03-14T09:26:53Z,stand,1,A,1,10.1,,red\n2,,stand,2,A,1,10.2,dropped,blue\n",
    )
    assert list(readings.columns) == [
        *("part", "operator", "trial", "method", "reading", "order", "time", "note")
    ]
    assert readings["note"].tolist() == ["", "dropped"]
    assert readings["time"].notna().tolist() == [True, False]
    assert readings.attrs["taken"]["ignored"] == ("column I (colour)",)


def test_description_tells_what_was_taken_and_what_was_left(tmp_path):
    readings = read(tmp_path, WAYS["averages and ranges between"], name="old form.csv")
    taken, text = readings.attrs["taken"], describe_reading(readings)
    assert (taken["file"], taken["cells"]) == ("old form.csv", "B2:G3")
    assert (len(readings), len(taken["parts"]), len(taken["operators"])) == (8, 2, 2)
    assert {"column D (Avg)", "column E (R)", "column J (Remarks)"} <= set(taken["ignored"])
    assert any(left.startswith("row 4 (Average") for left in taken["ignored"])
    for told in (*taken["parts"], *taken["operators"], *taken["ignored"], taken["sha256"]):
        assert told in text


def test_captions_are_told(tmp_path):
    taken = read(tmp_path, WAYS["a block for each operator"]).attrs["taken"]
    assert "row 4: Operator: A" in taken["stated"]
    assert "row 2 (Gauge no. | 17 | Date | 3 May)" in taken["ignored"]
    assert "row 14 (Signed | N.N.)" in taken["ignored"]


def test_table_without_a_description_is_refused():
    with pytest.raises(StudyError, match="read from"):
        describe_reading(pd.DataFrame({"reading": [1.0]}))


def test_unclear_columns_raise_the_question_and_the_call_answers_it(tmp_path):
    text = "Pins of May;;\nBolt;Who;Value\n1;A;10,1\n2;B;20,3\n"
    with pytest.raises(StudyError) as question:
        read(tmp_path, text)
    words = str(question.value)
    assert question.value.row == 2
    for heading in ("“Bolt”", "“Who”", "“Value” was taken for the reading"):
        assert heading in words
    assert "part, operator, trial, reading, method, place, gauge, order, time" in words
    assert "columns={'part': heading}" in words
    answered = read(tmp_path, text, columns={"part": "Bolt", "operator": "Who"})
    assert places(answered) == {("1", "A", 1): 10.1, ("2", "B", 1): 20.3}
    assert "the call: “Bolt” is the part" in answered.attrs["taken"]["stated"]


def test_columns_stated_go_before_the_words_of_the_file(tmp_path):
    text = "part,reading,result\n1,5,10.1\n2,6,20.1\nPart,Reading,Result\n3,7,30.1\n"
    assert read(tmp_path, text)["reading"].tolist() == [5, 6, 7]
    stated = read(tmp_path, text, columns={"reading": "result"})
    assert stated["reading"].tolist() == [10.1, 20.1, 30.1]
    assert "column B (reading)" in stated.attrs["taken"]["ignored"]


def test_columns_stated_name_the_corner_of_a_form(tmp_path):
    text = WAYS["two header rows"].replace("Part", "Bolt")
    with pytest.raises(StudyError, match="the part"):
        read(tmp_path, text)
    assert places(read(tmp_path, text, columns={"part": "Bolt"})) == TWO_BY_TWO


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"part": "Bolts"}, "No row holds the heading “Bolts”.*“Bolt”, “Value”"),
        ({"part": "Bolt", "reading": "Bolt"}, "Two roles are given to one column"),
        ({"parts": "Bolt"}, "role in columns is not a word known here.*part, operator"),
        ({"part": ""}, "heading is empty"),
        ({"part": 1}, "columns"),
        (["Bolt"], "columns"),
    ],
)
def test_answer_that_fits_no_column_is_refused(tmp_path, columns, words):
    with pytest.raises(StudyError, match=words):
        read(tmp_path, "Bolt,Value\n1,10.1\n2,20.1\n", columns=columns)


def test_heading_that_stands_twice_answers_nothing(tmp_path):
    with pytest.raises(StudyError, match="Bolt") as refusal:
        read(tmp_path, "Bolt,Bolt,Value\n1,1,10.1\n2,2,20.1\n", columns={"part": "Bolt"})
    assert refusal.value.row == 1
    assert refusal.value.column == "B"


def test_letters_that_look_alike_make_no_second_person(tmp_path):
    text = "part,operator,reading\n1,Anna,10.1\n2,\u0410nna,10.2\n"  # a Cyrillic A
    with pytest.raises(StudyError, match="two ways") as refusal:
        read(tmp_path, text)
    assert refusal.value.row == 3
    assert "look alike" in refusal.value.remedy
    apart = read(tmp_path, "part,operator,reading\n1,Вера,10.1\n2,Вора,10.2\n")
    assert apart["operator"].tolist() == ["Вера", "Вора"]


def test_text_of_an_older_encoding_is_told(tmp_path):
    text = "part,operator,reading\n1,Kateřina,10.1\n"
    old, new = (read(tmp_path, t).attrs["taken"] for t in (text.encode("cp1250"), text))
    assert (old["written_as"].rpartition(", ")[2], new["written_as"].rpartition(", ")[2]) == (
        "cp1252",
        "utf-8",
    )
    assert any("Kate" in doubt for doubt in old["assumed"])
    assert not any("Kate" in doubt for doubt in new["assumed"])


TITLES = [["Gauge study"], ["Part name:", "Pin", "Gauge no.", "17"], ["Date:", "3 May"], []]
FOOTERS = [["R-bar", "0.1"], ["UCL", "0.3"], ["Signed:", "N.N."], ["Remarks: none"]]


def decorated(draw, header, blocks):
    """Return a form with what people write around the readings.

    ``header`` holds the header's rows and ``blocks`` the rows of readings, each as a list
    of its label cells and a list of groups of readings, one group an operator.
    """
    averages, remarks, gap, rows_of_averages = (draw(st.booleans()) for _ in range(4))

    def line(labels, groups, average):
        cells = list(labels)
        for number, group in enumerate(groups):
            cells += [""] if gap and number and not averages else []
            cells += [*group, *([average] if averages else [])]
        return [*cells, *(["burr"] if remarks and average == "10.0" else [])]

    lines = draw(st.lists(st.sampled_from(TITLES), max_size=3))
    last = len(header) - 1
    for at, (labels, groups) in enumerate(header):
        cells = line(labels, groups, "Average" if at == last else "")
        lines.append([*cells, "Remarks"] if remarks and at == last else cells)
    for at, (labels, groups) in enumerate(blocks):
        lines += [[]] if at and draw(st.integers(0, 5)) == 0 else []
        lines.append(line(labels, groups, "10.0"))
    if rows_of_averages:
        labels, groups = blocks[0]
        lines.append(line(["Average", *labels[1:]], [["9.9"] * len(g) for g in groups], "9.8"))
    footers = draw(st.lists(st.sampled_from(FOOTERS), max_size=2))
    return [*lines, *([[], *footers] if footers else [])]


@settings(deadline=None, max_examples=150)
@given(
    data=st.data(),
    parts=st.integers(2, 12),
    operators=st.sampled_from([["Anna", "Boris"], ["A", "B", "C"], ["Cara"]]),
    trials=st.integers(2, 4),
    two_rows=st.booleans(),
)
def test_what_people_write_around_a_form_changes_nothing(
    tmp_path_factory, data, parts, operators, trials, two_rows
):
    rounds = range(1, trials + 1)
    values = {
        (str(p), o, t): (10_000 * p + 10 * t + i) / 10_000
        for p in range(1, parts + 1)
        for i, o in enumerate(operators)
        for t in rounds
    }
    if two_rows:
        header = [
            (["Part"], [[o, *[""] * (trials - 1)] for o in operators]),
            ([""], [[str(t) for t in rounds] for _ in operators]),
        ]
    else:
        header = [(["Part"], [[f"{o} {t}" for t in rounds] for o in operators])]
    blocks = [
        ([str(p)], [[f"{values[str(p), o, t]:.4f}" for t in rounds] for o in operators])
        for p in range(1, parts + 1)
    ]
    lines = decorated(data.draw, header, blocks)
    file = tmp_path_factory.getbasetemp() / "decorated.csv"
    text = "\n".join(";".join(line) for line in lines)
    if data.draw(st.booleans()):
        text = text.replace(".", ",")
    file.write_text(text, encoding="utf-8")
    assert places(read_readings(file)) == values
