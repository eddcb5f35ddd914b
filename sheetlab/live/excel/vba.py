"""The module of VBA text that a person imports into the add-in, once.

A VBA project cannot be made without Excel, but Excel imports a module from a text file. The text
of a function is what xlwings itself would write (``xlwings.udfs.generate_vba_wrapper``; the tests
compare them), with one line more: xlwings lets a sheet of the active workbook choose the program
that is run as Python, and a workbook that a student handed in must not. Nor must its name: xlwings
puts it on a command line, where ``^`` undoes the escape of what follows and ``%NAME%`` is replaced.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from sheetlab.live.library import Function

MODULE_NAME = "sheetlab_live"
PROJECT = "myaddin"
"""Name that xlwings' template for add-ins gives itself."""
FUNCTIONS_MODULE = "sheetlab.live.excel.functions"
COMMANDS = (
    ("SheetlabEvaluate", "evaluate"),
    ("SheetlabMark", "mark"),
    ("SheetlabClear", "clear"),
)
"""Macro of a button, and the function of ``commands`` that it runs."""
CATEGORY = "sheetlab"
MOST_HELP = 255
"""Characters of help that Excel keeps."""
GUARD = 'If SheetlabRefusal() <> "" Then {name} = SheetlabRefusal(): Exit Function'


def module_text(functions: Iterable[Function], version: str) -> str:
    """The module as text: lines end as Windows wants them, all of it is ASCII."""
    functions = tuple(functions)
    parts = [_head(version), _refusal()]
    parts += [_function(one) for one in functions]
    parts += [_command(*one) for one in COMMANDS]
    parts.append(_help(functions))
    return "\r\n".join("\n\n".join(parts).splitlines()) + "\r\n"


def about(one: Function) -> str:
    """What the function wizard says of a function, in as much room as it has."""
    return short(f"{one.title}. {one.help}")


def short(text: str) -> str:
    """As many whole sentences as Excel keeps; of a single long one the beginning."""
    if len(text) <= MOST_HELP:
        return text
    end = text.rfind(". ", 0, MOST_HELP)
    return text[: end + 1] if end > 0 else text[: MOST_HELP - 1].rpartition(" ")[0] + "…"


def wrapper_arguments(one: Function) -> str:
    """Arguments of a function as its VBA head names them."""
    return ", ".join(f"Optional {a.id}" if a.optional else a.id for a in one.arguments)


def _head(version: str) -> str:
    return f"""Attribute VB_Name = "{MODULE_NAME}"
'Written by sheetlab {version}. Import it into the add-in; do not change it here.
#Const App = "Microsoft Excel"
Option Explicit"""


def _refusal() -> str:
    return f"""Private Function SheetlabRefusal() As String
    'why nothing is done: no workbook, or one that could choose what is run
    Dim one As Object
    SheetlabRefusal = ""
    If ActiveWorkbook Is Nothing Then
        SheetlabRefusal = "sheetlab: no workbook is open for editing"
    ElseIf SheetExists(ActiveWorkbook, "{PROJECT}.conf") Then
        SheetlabRefusal = "sheetlab: this workbook has a sheet {PROJECT}.conf, delete it first"
    ElseIf InStr(ActiveWorkbook.FullName, "^") + InStr(ActiveWorkbook.FullName, "%") > 0 Then
        SheetlabRefusal = "sheetlab: the name of the workbook or its folder has ^ or %; rename it"
    Else
        For Each one In ActiveWorkbook.Sheets
            If LCase$(Right$(one.Name, 3)) = ".py" Then
                SheetlabRefusal = "sheetlab: rename the sheet " & one.Name & ", " & _
                    "which xlwings takes for a Python program"
            End If
        Next
    End If
End Function"""


def _function(one: Function) -> str:
    given = ", ".join(a.id for a in one.arguments)
    call = f'XLPy.CallUDF("{FUNCTIONS_MODULE}", "{one.id}", Array({given})'
    return f"""Function {one.id}({wrapper_arguments(one)})
    {GUARD.format(name=one.id)}
    #If App = "Microsoft Excel" Then
        If TypeOf Application.Caller Is Range Then On Error GoTo failed
        {one.id} = {call}, ActiveWorkbook, Application.Caller)
        Exit Function
    #Else
        {one.id} = {call})
        Exit Function
    #End If
  failed:
    {one.id} = Err.Description
End Function"""


def _command(macro: str, command: str) -> str:
    return f"""Sub {macro}(control As IRibbonControl)
    If SheetlabRefusal() <> "" Then
        MsgBox SheetlabRefusal(), vbExclamation, "sheetlab"
        Exit Sub
    End If
    RunPython "from sheetlab.live.excel import commands; commands.{command}()"
End Sub"""


def _help(functions: Sequence[Function]) -> str:
    told = []
    for one in functions:
        texts = ", _\n        ".join(expression(short(a.help)) for a in one.arguments)
        told += [
            f'    SheetlabTell "{one.id}", _',
            f"        {expression(about(one))}, Array( _",
            f"        {texts})",
        ]
    return "\n".join(
        [
            "Sub Auto_Open()",
            "    SheetlabDescribe",
            "End Sub",
            "",
            "Sub SheetlabDescribe()",
            "    'what the function wizard shows; Excel refuses it at times, and that does no harm",
            "    On Error Resume Next",
            *told,
            "End Sub",
            "",
            "Private Sub SheetlabTell(its As String, about As String, arguments As Variant)",
            "    On Error Resume Next",
            '    Application.MacroOptions Macro:="\'" & ThisWorkbook.Name & "\'!" & its, _',
            f'        Description:=about, Category:="{CATEGORY}", ArgumentDescriptions:=arguments',
            "End Sub",
        ]
    )


def expression(value: str) -> str:
    """A text as an expression of VBA; the file is read in the code page of the machine."""
    parts = []
    for plain, other in re.findall(r"([\x20-\x7e]+)|([^\x20-\x7e])", value):
        if plain:
            parts.append('"' + plain.replace('"', '""') + '"')
        else:
            units = other.encode("utf-16-le")
            parts += [
                f"ChrW({int.from_bytes(units[k : k + 2], 'little')})"
                for k in range(0, len(units), 2)
            ]
    return " & ".join(parts) or '""'
