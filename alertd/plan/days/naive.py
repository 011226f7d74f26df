"""The driver that a plan is compared with: he drives until the hours are full, and takes what the road then gives."""

from dataclasses import replace

from alertd.plan.days.labels import Col, Labels, PlacedStand, RestPlan, Stand
from alertd.plan.days.search import RestSearch


def naive_plan(search: RestSearch) -> RestPlan | None:
    """The way of a driver who breaks or rests only where the next place is out of legal reach; None where stuck."""
    label: Labels = search.first_label()
    stands: list[PlacedStand] = []
    work = 0
    for place in range(search.table.places - 1):
        driven = search.step(label, place)
        if driven is None:
            for stand in (Stand.BREAK, Stand.REST, Stand.WEEK):
                if not search.may_stand(label, stand) or (stand is Stand.WEEK and not search.law.week_rest):
                    continue
                stood = search.after(label, stand, place)
                driven = search.step(stood, place)
                if driven is not None:
                    begins = int(label[0, Col.TIME])
                    stands.append(PlacedStand(place, stand, begins, int(stood[0, Col.TIME]) - begins))
                    label = stood
                    break
        if driven is None:
            return None
        work += search.work_at(label, place)
        if place in search.table.dwells:
            begins = int(label[0, Col.TIME])
            stands.append(PlacedStand(place, Stand.DWELL, begins, int(driven[0, Col.TIME]) - begins))
        label = driven
    minutes, price, window = int(label[0, Col.TIME]), int(label[0, Col.PRICE]), search.window
    cost = max(minutes, window.opens) + price + window.late_price * max(minutes - window.closes, 0)
    return RestPlan(minutes=minutes, price=price, cost=float(cost), stands=tuple(stands), work=work)


def best_plan(search: RestSearch) -> RestPlan | None:
    """The best way of a search, which is bounded by the naive driver: faster, and no worse."""
    naive = naive_plan(replace(search, split=False))  # no part of a rest is open at its end
    return (search if naive is None else replace(search, bound=naive.cost)).best()
