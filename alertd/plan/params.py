"""The numbers a plan turns on, with where each comes from. An operator changes them in alertd.toml, never here.

[A] marks an assumption with no source found; it stays a setting.
"""

from dataclasses import dataclass

from alertd.units import MILE_M, to_mps


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanParams:
    # Travel. Power balance after physics.md section 9; all [A] within the ranges printed there.
    cruise_mps: float = to_mps(62.0)
    steep_descent_grade: float = 0.06
    steep_descent_mps: float = to_mps(35.0)
    descent_grade: float = 0.04
    descent_mps: float = to_mps(45.0)
    drivetrain_efficiency: float = 0.85
    rolling_resistance: float = 0.006
    drag_area_m2: float = 6.0
    # Clock error of an arrival: 10 min + 10 % of the time under way [A].
    arrival_sigma_s: float = 600.0
    arrival_sigma_share: float = 0.10

    # Speeds on winter surfaces. CDL manual 2.6.2 (FMCSA/AAMVA): packed snow half speed or less, ice a crawl;
    # chained: never above 30 mph, careful drivers 20-25; chained on bare pavement 20 (common practice, no source).
    snow_speed_share: float = 0.5
    ice_mps: float = to_mps(15.0)
    chained_mps: float = to_mps(25.0)
    chained_ceiling_mps: float = to_mps(30.0)
    chained_bare_mps: float = to_mps(20.0)

    # Probabilities at which advice is given [A]: missing a chain-up costs far more than a needless warning.
    chain_probability: float = 0.5
    ready_probability: float = 0.15
    hold_probability: float = 0.3
    # Odds of ice, frost or snow from which a road is a winter road and a trip at least "slow", however high an operator
    # sets `ready_probability` [A]. Ice over more than 2 miles, for each member by itself, brings a notice [A]: that is
    # two minutes at 62 mph, too long to roll over on the speed one came with. Shorter ice makes a trip "slow" only.
    winter_probability: float = 0.15
    ice_least_m: float = 2.0 * MILE_M
    # What an unknown pavement is worth: "be ready" by each grade. Off the grades it makes no stretch of its own, but
    # a plan that has any unknown road is never clear.
    unknown_probability: float = 0.3
    unknown_flat_probability: float = 0.1
    unknown_grade: float = 0.03
    unknown_reach_m: float = 1_000.0

    # A pass counts from foot to foot as so steep [A], for a control covers it whole: climbs and descents of more than
    # this mean grade and of this rise, with summits up to this length between them.
    pass_grade: float = 0.02
    pass_rise_m: float = 120.0
    pass_top_m: float = 8_000.0
    pass_counts_as_grade: float = 0.03

    # Our estimate of a closure [A]: fresh snow from which we expect a member's road closed, mm w.e.; at 10:1 a mm is a
    # cm. Anchors: ploughs keep up with about 1 in/h and roads close at several (parkrecord.com on I-80 in Utah): a day
    # at 1 in/h, and three hours at 2 in/h. Donner, 2022-23: 730 in on 64 days of snow is 11 in a day, with 15 closures.
    closed_day_snow_mmwe: float = 60.0
    closed_burst_snow_mmwe: float = 15.0

    # Up to this length a bridge is posted with the road beside it, whatever its own deck carries [A]: ice on 100 m of
    # deck is slowed down for. An authority looks at a longer one by itself.
    short_bridge_m: float = 1_000.0

    # Geometry of stretches and stops [A].
    join_gap_m: float = 3_000.0
    stop_clearance_m: float = 300.0
    stop_min_spaces: int = 3
    stop_max_grade: float = 0.035
    longest_bare_run_m: float = 40_000.0  # chained on bare road before the snow, or behind it
    longest_bare_gap_m: float = 16_000.0  # between stretches; beyond it chains come off, for bare road breaks them

    # Another way is worth so much time when it asks less chaining, and counts as quicker from so much on [A].
    detour_worth_s: float = 3_600.0
    quicker_s: float = 900.0

    # Where a truck was seen [A]: further off than this is off the route, and so near behind is still there; older than
    # this says where it was last, not where it is; it may have left so long before its departure, and run no faster
    # than 80 mph since. So near the end it has arrived; not heard of with so little left to drive on a road that asks
    # for nothing, it has arrived by the plan. It stands when it moves no more than fix_stands_m in fix_stands_s.
    fix_off_route_m: float = 500.0
    fix_old_h: float = 2.0
    fix_early_h: float = 2.0
    fix_fastest_mps: float = to_mps(80.0)
    fix_arrived_m: float = 1_600.0
    fix_nearly_s: float = 1_800.0
    fix_stands_m: float = 100.0
    fix_stands_s: float = 600.0

    # Work. No agency or study value exists for fitting time; 10 min a chain, at least 30, 20 to take off [A].
    hang_s_per_chain: float = 600.0
    hang_min_s: float = 1_800.0
    remove_s: float = 1_200.0

    # What the choice of stops weighs, as seconds [A]: chains worn on bare road; to be turned back or fined without
    # them; to be stuck; and to stand where there is little room, on a grade, without light at night, on road that may
    # itself need chains, or at its very edge.
    wear_s_per_m: float = 0.03
    missed_s: float = 7_200.0
    stuck_s: float = 14_400.0
    cramped_s: float = 1_800.0
    steep_s: float = 1_800.0
    unlit_s: float = 600.0
    snowed_s: float = 5_400.0
    edge_s: float = 900.0

    # Where no listed stop serves, a place to look for is named [A]: one candidate in so much of the road, only within
    # reach of road that may need chains, and worth 20 miles chained on bare road to a stop that is listed. What the
    # trip's own start and end offer is not known either.
    unlisted_s: float = 3_600.0
    own_end_s: float = 2_700.0
    search_spacing_m: float = 4_000.0
    search_reach_m: float = 20_000.0

    # Other departures are compared over so many hours from now; 0 compares none.
    compare_h: float = 36.0

    # A posted control without an end is believed for so long after it was last confirmed, and then fades out [A].
    posted_believed_h: float = 6.0
    posted_fades_h: float = 6.0

    # Age beyond which a forecast is called old, hours.
    stale_forecast_h: float = 6.0
