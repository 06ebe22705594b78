"""Writes fixtures/hostile: files as they should not be. What becomes of each stands in roll/tests/hostile.rs.

    python3 tests/oracle/hostile.py fixtures/hostile

Places and owners are invented. The same files come out each time, to the byte.
"""

import bz2
import gzip
import io
import lzma
import struct
import sys
import tarfile
import zipfile
import zlib
from pathlib import Path

FOLDER = Path(sys.argv[1] if len(sys.argv) > 1 else ".")
HEADER = "PIN,SQFT\n"
GOOD = HEADER + "01,1200\n02,900\n"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
SHEETS = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"


def keep(name, content):
    data = content.encode() if isinstance(content, str) else content
    (FOLDER / name).write_bytes(data)


def packed(content):
    data = content.encode() if isinstance(content, str) else content
    return gzip.compress(data, 9, mtime=0)


def zipped(files, method=zipfile.ZIP_DEFLATED):
    room = io.BytesIO()
    with zipfile.ZipFile(room, "w", method) as archive:
        for name, content in files:
            archive.writestr(zipfile.ZipInfo(name, (2026, 5, 19, 8, 30, 0)), content, method)
    return room.getvalue()


def cell(at, value):
    """A cell from what Python has for it: text inline, a number, or XML as it stands behind the reference."""
    if isinstance(value, tuple):
        return f'<c r="{at}"{value[0]}>{value[1]}</c>'
    if isinstance(value, str):
        return f'<c r="{at}" t="inlineStr"><is><t>{value}</t></is></c>'
    return f'<c r="{at}"><v>{value}</v></c>'


def sheet(rows, begin=1):
    lines = []
    for line, row in enumerate(rows, begin):
        cells = "".join(cell(f"{chr(65 + place)}{line}", value) for place, value in enumerate(row) if value is not None)
        lines.append(f'<row r="{line}">{cells}</row>')
    return f'<worksheet xmlns="{SHEETS}"><sheetData>{"".join(lines)}</sheetData></worksheet>'


def workbook(sheets, texts=None):
    """An xlsx file; `sheets` are (name, state, XML)."""
    listed, related, files = [], [], []
    for number, (name, state, xml) in enumerate(sheets, 1):
        listed.append(f'<sheet name="{name}" sheetId="{number}" state="{state}" r:id="rId{number}"/>')
        related.append(f'<Relationship Id="rId{number}" Type="{OFFICE}/worksheet" Target="worksheets/sheet{number}.xml"/>')
        files.append((f"xl/worksheets/sheet{number}.xml", xml))
    styles = (f'<styleSheet xmlns="{SHEETS}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs>'
              "</styleSheet>")
    if texts:
        files.append(("xl/sharedStrings.xml", texts))
    return zipped([
        ("[Content_Types].xml",
         '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
         '<Default Extension="xml" ContentType="application/xml"/></Types>'),
        ("_rels/.rels", f'<Relationships xmlns="{PACKAGE}"><Relationship Id="rId1" Type="{OFFICE}/officeDocument" '
                        'Target="xl/workbook.xml"/></Relationships>'),
        ("xl/workbook.xml", f'<workbook xmlns="{SHEETS}" xmlns:r="{OFFICE}"><sheets>{"".join(listed)}</sheets></workbook>'),
        ("xl/_rels/workbook.xml.rels", f'<Relationships xmlns="{PACKAGE}">{"".join(related)}</Relationships>'),
        ("xl/styles.xml", styles),
        *files,
    ])


def one_sheet(rows, begin=1):
    return workbook([("Roll", "visible", sheet(rows, begin))])


def text_files():
    keep("quote-unclosed.csv", HEADER + '01,1200\n02,"900\n03,1000\n"04",1100\n')
    keep("quote-unclosed-at-end.csv", HEADER + '01,1200\n02,"900')
    keep("quote-in-field.csv", 'PIN,SQFT,NOTE\n01,1200,a 5" pipe\n02,900,"a "5" pipe"\n"03"x,1000,y\n')
    keep("quote-doubled.csv", 'PIN,SQFT,NOTE\n"01",1200,"say ""x"", y"\n')
    keep("quote-inch-marks.txt", 'PIN\tSQFT\tNOTE\n01\t1200\t"5 pipe\n02\t900\ty\n')
    keep("newline-in-field.csv", 'PIN,SQFT,NOTE\n01,1200,"Lot 1\nBlock 2"\n02,900,"a\r\nb"\n03,1000,c\n')
    keep("newline-without-quotes.csv", "PIN,SQFT,NOTE\n01,1200,Lot 1\nBlock 2\n02,900,x\n")
    keep("newlines-too-many.csv", HEADER + '01,"1\n' + "\n" * 30 + '2"\n02,900\n')
    keep("cr-stray.csv", HEADER + "01,12\r00\n02,900\n")
    keep("cr-line-ends.csv", GOOD.replace("\n", "\r"))
    keep("line-ends-mixed.csv", "PIN,SQFT\r\n01,1200\n02,900\r03,1000\n\r04,1100\r\n")
    keep("nul-in-field.csv", HEADER + "01,1200\n02,9\x0000\n03,1000\n")
    keep("nul-in-header.csv", "PIN,SQ\0FT\n01,1200\n")
    keep("nul-block-at-end.csv", GOOD + "\0" * 64)
    keep("bom.csv", "\ufeff" + GOOD)
    keep("bom-twice.csv", "\ufeff\ufeff" + GOOD)
    keep("bom-in-the-middle.csv", "\ufeff" + GOOD + "\ufeff" + GOOD.replace("0", "1"))
    keep("ragged.csv", HEADER + "01,1200\n02\n03,900,x\n04,,\n05,1000\n")
    keep("thousands-without-quotes.csv", HEADER + "01,1,284\n02,900\n")
    keep("empty.csv", "")
    keep("blank-lines-only.csv", "\n\r\n\r\n")
    keep("header-only.csv", HEADER)
    keep("end-marks.csv", GOOD + "\x1a\x1a")
    keep("blank-lines.csv", "\n\nPIN,SQFT\n\n01,1200\n\n\n02,900\n\n")
    keep("header-twice-a-column.csv", "PIN,SQFT,PIN\n01,1200,02\n")
    keep("header-twice-another.csv", "PIN,SQFT,X,X\n01,1200,a,b\n")
    keep("header-repeated.csv", GOOD + HEADER + "03,1000\n")
    keep("header-absent.csv", "01,1200\n02,900\n")
    keep("header-other-case.csv", " pin ,\"SqFt\"\n01,1200\n")
    keep("header-title.csv", "Basalt County, assessment roll 2026\nPIN,SQFT\n01,1200\n")
    keep("header-renamed.csv", "PIN,SQFT_LIVING\n01,1200\n")
    keep("delimiter-other.csv", GOOD.replace(",", ";"))
    keep("spaces-padded.csv", " PIN , SQFT \n 01 ,  1200  \n\t02\t, 900 \n")
    keep("null-words.csv", HEADER + "01,NULL\n02,N/A\n03,-\n04,\\N\n05,   \n06,900\n")
    keep("area-zero.csv", "PIN,SQFT,USE\n01,0,R\n02,0,V\n03,,R\n04,900,R\n")
    keep("numbers-odd.csv", HEADER + '01,1284 SF\n02,1284-\n03,"1,284"\n04,1284.0\n05,1e3\n06,-5\n07,$900\n08,9999999\n09,1284.55\n')
    keep("years-odd.csv", "PIN,SQFT,YR\n01,900,0\n02,900,9999\n03,900,1800\n04,900,19-50\n05,900,\n")
    keep("id-scientific.csv", HEADER + "1.23E+13,900\n12300000000001,900\n")
    keep("id-date.csv", HEADER + "12-Mar,900\n3/12/2026,900\n2026-03-12 00:00:00,900\n3-12,900\n")
    keep("id-spreadsheet-error.csv", HEADER + "#REF!,900\n#N/A,900\n########,900\n01,900\n")
    keep("id-zeros-lost.csv", HEADER + "416008,900\n0416009,900\n12345678,900\n")
    keep("id-blank.csv", HEADER + ",900\n  ,900\n0000,900\n01,900\n")
    keep("formula-cells.csv", 'PIN,SQFT,NOTE\n01,=600*2,a\n02,900,=HYPERLINK(1)\n03,900,@SUM(1)\n"=""04""",900,b\n')
    keep("encoding-windows-1252.csv", "PIN,SQFT,NOTE\n01,1200,Nu\xf1ez\n02,900,x\n".encode("cp1252"))
    keep("encoding-mixed.csv", b"PIN,SQFT,NOTE\n01,1200,Nu\xc3\xb1ez\n02,900,Nu\xf1ez\n03,1000,x\n")
    keep("encoding-undefined.csv", b"PIN,SQFT,NOTE\n01,1200,\x80 5\n02,900,\x81\n")
    keep("encoding-surrogate.csv", b"PIN,SQFT,NOTE\n01,1200,\xed\xa0\x80\n02,900,x\n")
    keep("encoding-overlong.csv", b"PIN,SQFT,NOTE\n01,1200,\xc0\xaf\n02,900,x\n")


def unicode_files():
    street = "PIN,SQFT,NOTE\r\n01,1200,Straße €\r\n02,900,\U0001f3e0\r\n"
    keep("utf16-le.csv", b"\xff\xfe" + street.encode("utf-16-le"))
    keep("utf16-be.csv", b"\xfe\xff" + street.encode("utf-16-be"))
    keep("utf16-le-without-mark.csv", street.encode("utf-16-le"))
    keep("utf16-be-without-mark.csv", street.encode("utf-16-be"))
    lone = "PIN,SQFT,NOTE\n01,1200,a\ud83cb\n02,900,x\n03,1000,\udfe0\n"
    keep("utf16-lone-surrogates.csv", b"\xff\xfe" + lone.encode("utf-16-le", "surrogatepass"))
    keep("utf16-odd.csv", b"\xff\xfe" + GOOD.encode("utf-16-le")[:-1])
    keep("utf16-mark-only.csv", b"\xff\xfe")
    keep("utf32-le.csv", b"\xff\xfe\0\0" + GOOD.encode("utf-32-le"))
    keep("utf16.csv.gz", packed(b"\xff\xfe" + street.encode("utf-16-le")))


def packed_files():
    whole = packed(GOOD)
    keep("roll.csv.gz", whole)
    keep("gzip-by-another-name.csv", whole)
    keep("text-by-another-name.csv.gz", GOOD)
    keep("several-members.csv.gz", packed(HEADER + "01,12") + packed("") + packed("00\n02,900\n"))
    keep("truncated.csv.gz", packed(HEADER + "".join(f"{n:04},{n * 7 % 3000}\n" for n in range(2000)))[:-2000])
    keep("truncated-in-header.csv.gz", whole[:6])
    keep("trailing-garbage.csv.gz", whole + b"GARBAGE")
    keep("trailing-zeros.csv.gz", whole + bytes(512))
    keep("checksum-wrong.csv.gz", whole[:-8] + b"\0\0\0\0" + whole[-4:])
    keep("bits-flipped.csv.gz", whole[:12] + bytes(byte ^ 0xFF for byte in whole[12:18]) + whole[18:])
    keep("twice-packed.csv.gz", packed(whole))
    keep("empty.csv.gz", packed(""))
    room = io.BytesIO()
    with tarfile.open(fileobj=room, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        info = tarfile.TarInfo("roll.csv")
        info.size = len(GOOD)
        archive.addfile(info, io.BytesIO(GOOD.encode()))
    keep("roll.tar.gz", packed(room.getvalue()))


def archives():
    keep("roll.zip", zipped([("roll.csv", GOOD)]))
    keep("stored.zip", zipped([("roll.csv", GOOD)], zipfile.ZIP_STORED))
    keep("two-texts.zip", zipped([("2026/roll.csv", GOOD), ("2026/read me.txt", "Columns as published.\n")]))
    keep("folders-and-leavings.zip", zipped([
        ("2026/", ""), ("2026/roll.csv", GOOD), ("__MACOSX/2026/._roll.csv", "x"), ("2026/.hidden.csv", "x"),
        ("2026/map.pdf", "%PDF-1.7 x")]))
    keep("path-out.zip", zipped([("../../roll.csv", GOOD)]))
    keep("path-absolute.zip", zipped([("C:\\roll.csv", GOOD)]))
    keep("nested.zip", zipped([("inner.zip", zipped([("roll.csv", GOOD)]))]))
    keep("nested-gzip.zip", zipped([("roll.csv.gz", packed(GOOD))]))
    keep("workbook-inside.zip", zipped([("roll.xlsx", one_sheet([["PIN", "SQFT"], ["01", 900]]))]))
    keep("empty.zip", zipped([]))
    keep("pictures-only.zip", zipped([("map.pdf", "%PDF-1.7 x")]))
    keep("bzip2-inside.zip", zipped([("roll.csv", GOOD)], zipfile.ZIP_BZIP2))
    room = io.BytesIO()
    with zipfile.ZipFile(room, "w") as archive:
        for name in ("rolA.csv", "rolB.csv"):
            archive.writestr(zipfile.ZipInfo(name, (2026, 5, 19, 8, 30, 0)), GOOD)
    keep("one-name-twice.zip", room.getvalue().replace(b"rolB.csv", b"rolA.csv"))
    plain = zipped([("roll.csv", GOOD)], zipfile.ZIP_STORED)
    directory = plain.rindex(b"PK\x01\x02")
    keep("truncated.zip", plain[:-40])
    keep("checksum-wrong.zip", plain.replace(b"02,900", b"02,901"))
    keep("size-wrong.zip", plain[:directory + 24] + struct.pack("<I", 9) + plain[directory + 28:])
    encrypted = bytearray(plain)
    encrypted[6] |= 1
    encrypted[directory + 8] |= 1
    keep("encrypted.zip", bytes(encrypted))
    twice = bytearray(zipped([("a.csv", GOOD), ("b.csv", GOOD)], zipfile.ZIP_STORED))
    second = twice.rindex(b"PK\x01\x02")
    twice[second + 42:second + 46] = struct.pack("<I", 0)
    keep("lying-over-each-other.zip", bytes(twice))


def workbooks():
    head = ["PIN", "SQFT", "NOTE"]
    keep("roll.xlsx", one_sheet([head, ["01", 1200.5, "a, b"], [], ["02", 0.1 + 0.2, 'say "x"\ny'], ["03"]]))
    keep("zeros-lost.xlsx", one_sheet([head, [416008, 900], [1416009, 900], ["0416010", 900]]))
    keep("zeros-kept.xlsx", one_sheet([head, [1416008, 900], ["0416010", 900]]))
    keep("digits-lost.xlsx", one_sheet([head, ["01", 900], [1.23456789012345e16, 900]]))
    keep("id-fraction.xlsx", one_sheet([head, [12.1, 900]]))
    keep("id-date.xlsx", one_sheet([head, [(' s="1"', "<v>46093</v>"), 900], ["01", 900, (' s="1"', "<v>46093</v>")]]))
    keep("error-cells.xlsx", one_sheet([
        head, [(' t="e"', "<v>#REF!</v>"), 900], ["01", (' t="e"', "<v>#N/A</v>")], ["02", 900, (' t="b"', "<v>1</v>")]]))
    keep("formula-not-worked-out.xlsx", one_sheet([head, ["01", 900], ["02", ("", "<f>B2*2</f>")]]))
    keep("formula-worked-out.xlsx", one_sheet([head, ["01", ("", "<f>450*2</f><v>900</v>"), ("", "<f>B2*2</f>")]]))
    keep("title.xlsx", one_sheet([["Basalt County, roll of 2026"], [], head, ["01", 900]]))
    keep("two-sheets.xlsx", workbook([
        ("Roll", "visible", sheet([head, ["01", 900]])), ("Codes", "visible", sheet([["R", "residential"]]))]))
    keep("hidden-and-empty-sheets.xlsx", workbook([
        ("Old", "hidden", sheet([head, ["09", 1]])), ("Roll", "visible", sheet([head, ["01", 900]])),
        ("Sheet2", "visible", sheet([])), ("Older", "veryHidden", sheet([head]))]))
    keep("begins-below.xlsx", one_sheet([head, ["01", 900], ["02", "x"]], begin=4))
    keep("row-too-wide.xlsx", one_sheet([["PIN", "SQFT"], ["01", 900, None, "beyond"], ["02", 900]]))
    many = f'<sst xmlns="{SHEETS}" count="1" uniqueCount="99999999999999"><si><t>PIN</t></si></sst>'
    keep("texts-announced.xlsx", workbook([("Roll", "visible", sheet([head]))], many))
    rows = '<row r="2"><c r="A2"><v>1</v></c></row><row r="1"><c r="A1"><v>1</v></c></row>'
    keep("rows-backwards.xlsx", workbook([
        ("Roll", "visible", f'<worksheet xmlns="{SHEETS}"><sheetData>{rows}</sheetData></worksheet>')]))
    rows = '<row r="1"><c r="A99999999999"><v>1</v></c></row>'
    keep("reference-huge.xlsx", workbook([
        ("Roll", "visible", f'<worksheet xmlns="{SHEETS}"><sheetData>{rows}</sheetData></worksheet>')]))
    keep("xml-cut.xlsx", workbook([("Roll", "visible", sheet([head, ["01", 900]])[:-40])]))
    keep("binary.xlsb", zipped([("[Content_Types].xml", "<Types/>"), ("xl/workbook.bin", "x")]))
    keep("roll.ods", zipped([("mimetype", "application/vnd.oasis.opendocument.spreadsheet"), ("content.xml", "<x/>")]))
    keep("letter.docx", zipped([("[Content_Types].xml", "<Types/>"), ("word/document.xml", "<x/>")]))


def other_formats():
    keep("old.xls", bytes.fromhex("d0cf11e0a1b11ae1") + bytes(504))
    keep("report.pdf", "%PDF-1.7\n1 0 obj\n")
    keep("not-found.csv", "\r\n<!DOCTYPE html><html><body>404</body></html>")
    keep("roll.xml", '<?xml version="1.0"?><roll/>')
    keep("roll.sqlite", b"SQLite format 3\0" + bytes(84))
    keep("roll.7z", bytes.fromhex("377abcaf271c0004") + bytes(24))
    keep("roll.csv.bz2", bz2.compress(GOOD.encode()))
    keep("roll.csv.xz", lzma.compress(GOOD.encode(), preset=1))
    keep("random-bytes.csv", zlib.compress(bytes(range(256)) * 3, 9) + bytes(range(128, 256)))


if __name__ == "__main__":
    FOLDER.mkdir(parents=True, exist_ok=True)
    text_files()
    unicode_files()
    packed_files()
    archives()
    workbooks()
    other_formats()
