"""Asks an Overpass server for the road along a line and what lies beside it.

The query language: wiki.openstreetmap.org/wiki/Overpass_API/Overpass_QL. Manners, by the usage policy of its server:
one request at a time, a pause between two, a stated time limit and size, and a contact in User-Agent.
"""

from collections.abc import Iterator
from typing import Final

from alertd.route.model import Array
from alertd.sources.http.answer import JsonClient, RequestOptions
from alertd.sources.openstreetmap.elements import SOURCE, OsmAnswer, read_answer

OVERPASS_URL: Final = "https://overpass-api.de/api/interpreter"  # the public server of the OpenStreetMap community
# [A] 25 km of road in steps of 200 m make a URL of 4 kB, which servers accept, and an answer of about 1 MB.
STEP_M: Final = 200.0
CHUNK_M: Final = 25_000.0
_TIMEOUT_S: Final = 25  # below the client's 30 s of silence
_MAX_BYTES: Final = 67_108_864
_DAY_S: Final = 86_400.0
# [A] A chord of 200 m cuts a curve of 100 m radius by 50 m, and the line of a recorder is 30 m off.
_ROAD_M: Final = 80
CHAIN_WORDS: Final = "chain.?up|chain.?(on|off|area|station)|cha[iî]nage|kjetting|ketten(anlege|montage|platz)|catene"
_ROADS: Final = "^(motorway|trunk|primary|secondary|tertiary|unclassified)(_link)?$"


def query(lat_deg: Array, lon_deg: Array) -> str:
    """The query for one part of a line: the roads on it with their lines, then what lies beside them with centers."""
    line = ",".join(f"{a:.4f},{b:.4f}" for a, b in zip(lat_deg, lon_deg, strict=True))
    return (
        f"[out:json][timeout:{_TIMEOUT_S}][maxsize:{_MAX_BYTES}];"
        f'way(around:{_ROAD_M},{line})[highway~"{_ROADS}"]->.r;'
        ".r out body geom qt;"
        "(node(around.r:50)[highway=motorway_junction];"
        "node(around.r:100)[highway=milestone];"
        "node(around.r:300)[mountain_pass=yes];"
        'node(around.r:8000)[place~"^(city|town|village)$"];'
        'nwr(around.r:500)[highway~"^(rest_area|services)$"];'
        'nwr(around.r:800)[amenity=fuel][hgv~"^(yes|designated)$"];'
        'nwr(around.r:800)[amenity=fuel]["fuel:HGV_diesel"=yes];'
        'nwr(around.r:500)[amenity=parking][hgv~"^(yes|designated)$"];'
        "nwr(around.r:100)[amenity=parking][parking=layby];"
        f'nwr(around.r:300)[amenity=parking][name~"{CHAIN_WORDS}",i];'
        ");out body center qt;"
    )


def chunks(distance_m: Array) -> Iterator[slice]:
    """Parts of a line of at most CHUNK_M, each with the first point of the next."""
    first = 0
    while first < distance_m.size - 1:
        last = first + 1
        while last < distance_m.size - 1 and distance_m[last + 1] - distance_m[first] <= CHUNK_M:
            last += 1
        yield slice(first, last + 1)
        first = last


class Overpass:
    """An Overpass server at `url`, e.g. "https://overpass-api.de/api/interpreter"."""

    def __init__(self, client: JsonClient, url: str) -> None:
        self._client, self._url = client, url

    async def along(self, lat_deg: Array, lon_deg: Array) -> OsmAnswer:
        """The road along one part of a line, and what lies beside it. Raises SourceError."""
        answer = await self._client.get_json(
            SOURCE,
            self._url,
            params={"data": query(lat_deg, lon_deg)},
            read=read_answer,
            options=RequestOptions(default_life_s=_DAY_S),
        )
        return answer.value
