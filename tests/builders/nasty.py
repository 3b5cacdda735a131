"""Texts that break readers: numbers without bound, marks that hide or run something, weeks and levels that are none."""

NASTY = [
    *("", " ", "#", "# x", "'", '"', '""', ",", ";", "\t", "\r", "\n", "\r\n", "\0", "\x1b[2J", "\ufeff"),
    *("\u202e", "\u200f", "\u2028", "\ud7ff", "\ufffe", "e\u0301", "é", "😀", "👩‍🌾", "שושנה", "زنبق", "木蓮"),
    *("=1+1", "=cmd|'/C calc'!A0", "@SUM(A1)", "+1", "'=1", "<script>alert(1)</script>", "]]>", "&lt;", "&#0;"),
    *("%s", "{0}", "../../etc/passwd", "/etc/passwd", "C:\\con", "a" * 200, "a" * 300, "a" * 10_000, "hosta"),
    *("0", "-1", "9" * 400, "1e999", "-1e999", "1e-999", "nan", "inf", "1_000", "1.200", "1,5", "85%", "1e400%"),
    *("٣", "½", "TRUE", "true", "0x10", "0xffff", "2027-W14", "2027-W54", "0000-W01", "0001-W01", "9998-W52"),
    *("2027-02-30", "1900-01-01", "9999-12-31", "2027-04-13T12:00", "1979-05-27T07:32:00Z", "#REF!", "2.1 2.6"),
    *("belief 0.5", "season 1e5", "batch 0.3.3 plant 0.7", "season 0.5 season 0.5", "plant", "degree-days"),
    *("1e400 2", "[[a]]", "a.b.c", "{a = 1}"),
]
XML = [
    *("<row/>", "<c/>", "<v/>", "<v>1e999</v>", "<f>1+1</f>", '<f t="shared" si="0"/>', "</row>", "</sheetData>"),
    *('<!DOCTYPE a [<!ENTITY b "c">]>', "<!DOCTYPE a>", "<![CDATA[x]]>", "<!--", "]]>", "&#x1F600;", "&lol;", "&amp;"),
    *(' r="A1048576"', ' r="XFD1"', ' r="ZZZ9999999"', ' r="-1"', ' r="1e9"', ' hidden="1"', ' s="99"', "_x000D_"),
    *(' t="s"', ' t="d"', ' t="e"', ' t="inlineStr"', ' state="hidden"', ' TargetMode="External"', "_x0000_"),
    *('<mergeCell ref="A1:XFD1048576"/>', '<col min="-9" max="99999" hidden="1"/>', "<sheetPr/>"),
]
