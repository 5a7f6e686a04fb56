"""What comes out of Make: board, proof, drawing, cut files, the joint and its torque card."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from keyturn.making.edit import Allowances
from keyturn.tasks import gasket as task
from keyturn.tasks import joint as joint_task
from keyturn.tasks.gasket import millimetres
from keyturn.web import make_view
from keyturn.web.gaskets import FLAT, outlined
from keyturn.web.shelf import Car

router = APIRouter()

Word = Annotated[str, Field(max_length=60)]
Paper = Annotated[Literal["a4", "letter"], Query()]
SAMPLES, SEED = 200, 1


class JointIn(BaseModel):
    """The joint as typed; empty words are left out."""

    model_config = ConfigDict(extra="forbid")

    said: Annotated[dict[Annotated[str, Field(max_length=30)], Word | bool], Field(max_length=30)]


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


# --- what comes out ---------------------------------------------------------------------------
def cut_order(
    kerf: Annotated[str, Query(max_length=30)] = "0",
    clearance: Annotated[str, Query(max_length=30)] = "",
    growth: Annotated[str, Query(max_length=30)] = "",
    land: Annotated[str, Query(max_length=30)] = "",
    sheet: Annotated[str, Query(max_length=40)] = "",
    copies: Annotated[int, Query(ge=1, le=60)] = 1,
    speed: Annotated[float | None, Query(gt=0.0, le=5000.0)] = None,
    mirror: bool = False,
    both: bool = False,
    split: bool = False,
) -> task.CutOrder:
    """How it is to be cut, as the form has it."""
    usual = Allowances()
    least = millimetres(land, "land") if land.strip() else usual.land
    allow = Allowances(
        bolt=millimetres(clearance, "clearance") if clearance.strip() else usual.bolt,
        port=millimetres(growth, "growth") if growth.strip() else usual.port,
        land=least, edge=least,
    )  # fmt: skip
    size = task.two_lengths(sheet, "sheet", "500x330") if sheet.strip() else None
    return task.CutOrder(allow, millimetres(kerf or "0", "kerf"), copies, size, mirror=mirror,
                         both=both, split=split, speed=speed)  # fmt: skip


# a form as query: the same address then serves as a picture and as a download
Order = Annotated[task.CutOrder, Depends(cut_order)]


@router.get("/api/car/{name}/make/{part}/cut")
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
    from keyturn.making.edit import prepare
    from keyturn.report.outline_figure import outline_figure

    found = outlined(_car(request, name), part)
    outline = found.outline()
    drawn = outline_figure(outline, prepare(outline).narrow)
    return _file(drawn.encode(), "image/svg+xml", make_view.file_name(found, "-drawing.svg"))


# --- the joint --------------------------------------------------------------------------------
@router.post("/api/car/{name}/make/{part}/joint")
def judge(request: Request, name: str, part: str, body: JointIn) -> dict[str, Any]:
    """Whether it seals, how tight, in which order; what was typed is kept beside the outline."""
    found = outlined(_car(request, name), part)
    said = {key: value for key, value in body.said.items()
            if isinstance(value, bool) or value.strip()}  # fmt: skip
    asked = joint_task.taken(said, found.outline())
    result = joint_task.answer(asked, SAMPLES, SEED)
    with found.car.writing:
        kept = {"version": 1, "outline": found.file.name, **said}
        found.keep_typed("joint", make_view.as_toml(kept))
    return make_view.joint_view(result)


@router.get("/car/{name}/make/{part}/card.svg", include_in_schema=False)
def card(request: Request, name: str, part: str) -> Response:
    """The torque card of the joint as it was typed last."""
    from keyturn.report.torque_card import torque_card

    found = outlined(_car(request, name), part)
    said = found.typed("joint")
    if not said:
        raise HTTPException(404, "there is no joint of that part yet")
    result = joint_task.answer(joint_task.taken(said, found.outline()), SAMPLES, SEED)
    return _file(torque_card(result).encode(), "image/svg+xml",
                 make_view.file_name(found, "-torque-card.svg"))  # fmt: skip


def _file(data: bytes, kind: str, file: str) -> Response:
    return Response(data, media_type=kind,
                    headers={"content-disposition": f'attachment; filename="{file}"'})  # fmt: skip
