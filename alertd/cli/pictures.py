"""A plan's pictures as files: for phone and desk, as SVG and as PNG for mail, and all of them in words."""

from pathlib import Path

from alertd.errors import InputError
from alertd.plan.result import Plan
from alertd.route.borders import Boundaries
from alertd.service.making import Making


def write_pictures(folder: Path, plan: Plan, making: Making, boundaries: Boundaries, *, metric: bool) -> None:
    """Write them into a folder, made if it is not there. Raises InputError where that cannot be."""
    from alertd.notices.pictures.canvas import DESK_PX, PHONE_PX, View  # matplotlib takes half a second to load
    from alertd.notices.pictures.sheets import axle_svgs, plan_pictures

    said = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for width_px, suffix in ((DESK_PX, ""), (PHONE_PX, "-phone")):
            view = View(width_px=width_px, metric=metric)
            drawn = plan_pictures(plan, making.route, making.fetched.weather.corridor, boundaries, view)
            for name, picture in drawn.items():
                (folder / f"{name}{suffix}.svg").write_text(picture.svg(), encoding="utf-8")
                (folder / f"{name}{suffix}.png").write_bytes(picture.png())
            said = [line for p in drawn.values() for line in (p.title, *p.said, "")]
        for name, svg in axle_svgs(plan, making.rig).items():
            (folder / f"{name}.svg").write_text(svg, encoding="utf-8")
        (folder / "pictures.txt").write_text("\n".join(said), encoding="utf-8")
    except OSError as exc:
        raise InputError(
            "--pictures", "", f"{folder} cannot be written ({exc.strerror})", "name another folder"
        ) from exc
