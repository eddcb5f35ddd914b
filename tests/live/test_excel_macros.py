"""The text of the macros, and names that VBA and cells can bear."""

from __future__ import annotations

import re

import pytest
from openpyxl.utils import FORMULAE

from sheetlab.live.excel import vba
from sheetlab.live.functions import FUNCTIONS


def test_the_module_is_a_file_that_the_editor_can_read() -> None:
    text = vba.module_text(FUNCTIONS.values(), "1.2")
    assert text.isascii()
    assert text.startswith('Attribute VB_Name = "sheetlab_live"\r\n')
    assert text.count("\n") == text.count("\r\n")
    lines = text.split("\r\n")
    assert max(map(len, lines)) < 1000  # the editor takes 1023
    for kind in ("Function", "Sub"):
        starts = [line for line in lines if line.removeprefix("Private ").startswith(f"{kind} ")]
        assert len(starts) == lines.count(f"End {kind}") > 0
    continued = 0
    for line in lines:
        continued = continued + 1 if line.endswith(" _") else 0
        assert continued < 24
    for one in FUNCTIONS.values():
        assert f'SheetlabTell "{one.id}"' in text
    for macro, command in vba.COMMANDS:
        assert f"Sub {macro}(control As IRibbonControl)" in text
        assert f"commands.{command}()" in text


def test_the_help_in_the_module_is_that_of_the_functions() -> None:
    text = vba.module_text(FUNCTIONS.values(), "0").replace(" _\r\n", "")
    told = [line for line in text.splitlines() if line.strip().startswith('SheetlabTell "')]
    assert len(told) == len(FUNCTIONS)
    for line, one in zip(told, FUNCTIONS.values(), strict=True):
        wanted = [one.id, vba.about(one), *(vba.short(a.help) for a in one.arguments)]
        assert spoken(line.strip().removeprefix("SheetlabTell ")) == wanted


def spoken(line: str) -> list[str]:
    """The texts that a line of VBA stands for: literals and ``ChrW`` joined by ``&``."""
    out: list[str] = []
    joined, k = False, 0
    while k < len(line):
        if line[k] == '"':
            piece, k = "", k + 1
            while line[k] != '"' or line[k : k + 2] == '""':
                k += line[k] == '"'
                piece, k = piece + line[k], k + 1
        elif line.startswith("ChrW(", k):
            end = line.index(")", k)
            piece, k = chr(int(line[k + 5 : end])), end
        else:
            joined = joined or line[k] == "&"
            k += 1
            continue
        if joined:
            out[-1] += piece
        else:
            out.append(piece)
        joined, k = False, k + 1
    return out


@pytest.mark.parametrize("text", ["", "plain", 'say "yes"', "Ω × √3 – ½", '"', "a\nb", "𝛼"])
def test_any_text_can_be_said_in_vba(text: str) -> None:
    (said,) = spoken(vba.expression(text))
    assert said.encode("utf-16-le", "surrogatepass") == text.encode("utf-16-le")


def test_long_help_ends_with_a_sentence() -> None:
    long = "First sentence. " + "x" * 235 + ". Last."
    assert vba.short(long) == "First sentence. " + "x" * 235 + "."
    assert vba.short("word " * 100).endswith("word…")
    assert len(vba.short("word " * 100)) <= vba.MOST_HELP


# -- names ---------------------------------------------------------------------------------------


NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,254}")
CELL = re.compile(r"[A-Z]{1,3}[0-9]+|R[0-9]*C[0-9]*|R|C", re.IGNORECASE)
WORDS = """
addressof alias and any append array as attribute base binary boolean byref byte byval call
case cbool cbyte ccur cdate cdbl cdec cint circle class clng clnglng clngptr close compare
const csng cstr currency cvar cverr database date debug decimal declare defbool defbyte
defcur defdate defdbl defdec defint deflng deflnglng deflngptr defobj defsng defstr defvar
dim do doevents double each else elseif empty end endif enum eqv erase error event exit
explicit false fix for friend function get global go gosub goto if imp implements in input
inputb instr instrb int integer is lbound len lenb let lib like line lock long longlong
longptr loop lset me mid midb mod module name new next not nothing null object on open option
optional or output paramarray preserve print private property pset public put raiseevent
random read redim rem reset resume return rset scale seek select set sgn shared single spc
static step stop string sub tab text then time to true type typeof ubound unknown unlock
until variant wend while width with withevents write xor
""".split()  # noqa: SIM905
"""Words that VBA keeps for itself, and a few that it only minds in some places."""


def name_problem(name: str) -> str:
    """Why a function or argument cannot be called so in VBA and in a cell; empty if it can."""
    if not NAME.fullmatch(name):
        return "begins with a letter and holds letters, digits and underscores"
    if name.lower() in WORDS:
        return "is a word of the language"
    return "looks like the address of a cell" if CELL.fullmatch(name) else ""


def test_names_are_names_in_vba_and_in_cells() -> None:
    for one in FUNCTIONS.values():
        assert name_problem(one.id) == "", one.id
        assert one.id not in FORMULAE
        names = [a.id for a in one.arguments]
        for name in names:
            assert name_problem(name) in ("", "looks like the address of a cell"), name
            assert name.lower() not in ("caller", one.id.lower())
        assert len({name.lower() for name in names}) == len(names)
    own = ["SheetlabRefusal", "SheetlabTell", "SheetlabDescribe", "Auto_Open", vba.MODULE_NAME]
    own += [macro for macro, _ in vba.COMMANDS]
    everything = [name.lower() for name in (*FUNCTIONS, *own)]
    assert len(set(everything)) == len(everything)


@pytest.mark.parametrize("name", ["LAB1", "XFD10", "R1C1", "Next", "type", "1st", "a-b", "_x", ""])
def test_wrong_names_are_seen(name: str) -> None:
    assert name_problem(name)
