"""What comes out of Make: board, proof, drawing, cut files, the joint and its torque card."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from starlette.responses import Response

from keyturn.tasks import gasket as task
from keyturn.tasks import joint as joint_task
from keyturn.tasks.fields import CUT
from keyturn.web import make_view
from keyturn.web.gaskets import FLAT, outlined
from keyturn.web.routes.make import SaidIn
from keyturn.web.shelf import Car

router = APIRouter()

Paper = Annotated[Literal["a4", "letter"], Query()]
SAMPLES, SEED = 200, 1


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


# --- what comes out ---------------------------------------------------------------------------
def cut_order(request: Request) -> task.CutOrder:
    """How it is to be cut, as the form has it."""
    return task.cut_order(request.query_params)


# a form as query: the same address then serves as a picture and as a download
Order = Annotated[task.CutOrder, Depends(cut_order)]
QUERY = {"parameters": [
    {"name": row.key, "in": "query", "description": row.words,
     "schema": {"type": "string", "maxLength": 60}}
    for row in CUT
]}  # fmt: skip


@router.get("/api/car/{name}/make/{part}/cut", openapi_extra=QUERY)
def cut_json(request: Request, name: str, part: str, order: Order) -> dict[str, Any]:
    """What the cut takes, and what is narrow."""
    from keyturn.report.gasket_words import cut_json as as_json
    from keyturn.report.gasket_words import cut_text

    outline = outlined(_car(request, name), part).outline()
    made = task.cut([outline], order)
    words = cut_text(made.job, [], made.seconds, []).splitlines()
    return {"answer": as_json(made.job, made.narrow, made.seconds),
            "words": [row.strip() for row in words if "nothing was written" not in row],
            **make_view.narrow(outline, order.allow)}  # fmt: skip


@router.get("/car/{name}/make/board.pdf", include_in_schema=False)
def board_pdf(request: Request, name: str, paper: Paper = "a4") -> Response:
    _car(request, name)
    return _file(task.board(paper), "application/pdf", f"board-{paper}.pdf")


@router.get("/car/{name}/make/{part}/proof.pdf", include_in_schema=False)
def proof_pdf(request: Request, name: str, part: str, paper: Paper = "a4") -> Response:
    found = outlined(_car(request, name), part)
    return _file(task.paper_proof(found.outline(), paper), "application/pdf",
                 make_view.file_name(found, "-proof.pdf"))  # fmt: skip


@router.get("/car/{name}/make/{part}/cut.{kind}", include_in_schema=False)
def cut_file(request: Request, name: str, part: str, kind: str, order: Order) -> Response:
    """DXF or SVG of the whole sheet, read back and found equal before it is handed out."""
    kinds = {"dxf": "image/vnd.dxf", "svg": "image/svg+xml"}
    if kind not in kinds:
        raise HTTPException(404)
    found = outlined(_car(request, name), part)
    made = task.cut([found.outline()], order)
    data = made.dxf if kind == "dxf" else made.svg
    return _file(data, kinds[kind], make_view.file_name(found, f".{kind}"))


@router.get("/car/{name}/make/{part}/flat.jpg", include_in_schema=False)
def flat(request: Request, name: str, part: str) -> Response:
    """The photo laid flat, under the overlay."""
    path = outlined(_car(request, name), part).made / FLAT
    try:
        return Response(path.read_bytes(), media_type="image/jpeg")
    except OSError:
        raise HTTPException(404, "there is no picture of that part") from None


@router.get("/car/{name}/make/{part}/drawing.svg", include_in_schema=False)
def drawing(request: Request, name: str, part: str) -> Response:
    """The part with its dimensions and their uncertainty."""
    from keyturn.making.edit import allowed
    from keyturn.report.outline_figure import outline_figure

    found = outlined(_car(request, name), part)
    outline = found.outline()
    drawn = outline_figure(outline, allowed(outline).narrow)
    return _file(drawn.encode(), "image/svg+xml", make_view.file_name(found, "-drawing.svg"))


# --- the joint --------------------------------------------------------------------------------
@router.post("/api/car/{name}/make/{part}/joint")
def judge(request: Request, name: str, part: str, body: SaidIn) -> dict[str, Any]:
    """Whether it seals, how tight, in which order; what was typed is kept beside the outline."""
    found = outlined(_car(request, name), part)
    said = {key: value for key, value in body.said.items()
            if isinstance(value, bool) or value.strip()}  # fmt: skip
    asked = joint_task.taken(said, found.outline())
    result = joint_task.answer(asked, SAMPLES, SEED)
    with found.car.writing:
        found.keep_typed("joint", joint_task.as_file(said, found.file.name))
    return make_view.joint_view(result)


@router.get("/car/{name}/make/{part}/card.pdf", include_in_schema=False)
def card(request: Request, name: str, part: str) -> Response:
    """The torque card of the joint as it was typed last, to print."""
    from keyturn.report.torque_card import card_pdf

    found = outlined(_car(request, name), part)
    said = found.typed("joint")
    if not said:
        raise HTTPException(404, "there is no joint of that part yet")
    result = joint_task.answer(joint_task.taken(said, found.outline()), SAMPLES, SEED)
    return _file(card_pdf(result), "application/pdf",
                 make_view.file_name(found, "-torque-card.pdf"))  # fmt: skip


def _file(data: bytes, kind: str, file: str) -> Response:
    return Response(data, media_type=kind,
                    headers={"content-disposition": f'attachment; filename="{file}"'})  # fmt: skip
