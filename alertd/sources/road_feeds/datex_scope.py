"""The direction and the vehicles that a DATEX II record applies to.

A scope that is not understood excludes nothing: the record then applies both ways and to trucks.
"""

from typing import Final
from xml.etree.ElementTree import Element

from alertd.sources.road_feeds.xml_names import child, children, text

# DirectionEnum (schemas 3.1 and 3.7). "aligned" and "opposite" refer to a road's own direction, unknown here.
BEARINGS: Final = {
    "northBound": 0.0, "northEastBound": 45.0, "eastBound": 90.0, "southEastBound": 135.0,
    "southBound": 180.0, "southWestBound": 225.0, "westBound": 270.0, "northWestBound": 315.0,
}  # fmt: skip
# VehicleTypeEnum: types that no truck belongs to. Vans and trailers are not among them, so that doubt keeps a record.
NO_TRUCKS: Final = frozenset(
    (
        "agriculturalVehicle", "articulatedBus", "articulatedTrolleyBus", "bicycle", "bus", "car", "caravan",
        "carOrLightVehicle", "carWithCaravan", "carWithTrailer", "constructionOrMaintenanceVehicle", "largeCar",
        "lightCommercialVehicle", "lightCommercialVehicleWithTrailer", "metro", "minibus", "moped", "motorcycle",
        "motorcycleWithSideCar", "motorhome", "motorscooter", "passengerCar", "smallCar", "threeWheeledVehicle", "tram",
        "trolleyBus", "twoWheeledVehicle", "van", "vehicleWithCaravan",
    )
)  # fmt: skip
LIGHT_T: Final = 3.5  # goods vehicles of category N1 end here (Regulation (EU) 2018/858, article 4)


def bearing_deg(record: Element) -> float | None:
    """The direction of travel of a record, None for both or for any that is not a point of the compass."""
    given = {text(e) for e in children(record, "applicableForTrafficDirection")}
    return BEARINGS.get(given.pop()) if len(given) == 1 else None


def not_for_trucks(record: Element) -> bool:
    """True where each of the record's classes of vehicles excludes trucks."""
    classes = children(record, "forVehiclesWithCharacteristicsOf")
    return bool(classes) and all(_excludes_trucks(one) for one in classes)


def _excludes_trucks(characteristics: Element) -> bool:
    types = [text(e) for e in children(characteristics, "vehicleType")]
    if types and NO_TRUCKS.issuperset(types):
        return True
    for gross in children(characteristics, "grossWeightCharacteristic"):
        try:
            limit_t = float(text(child(gross, "grossVehicleWeight")))
        except ValueError:
            continue
        below = text(child(gross, "comparisonOperator")) in ("lessThan", "lessThanOrEqualTo", "equalTo")
        if below and limit_t <= LIGHT_T:
            return True
    return False
