"""Defines the parameters of a plan, with their sources. An operator changes them in alertd.toml only.

[A] marks an assumption with no source found; it stays a setting.
"""

from dataclasses import dataclass, fields

from alertd.units import MILE_M, to_mps


class _KeptHash:
    """A place for the hash: it takes as long as many an answer that is looked up by it."""

    __slots__ = ("_hash",)
    _hash: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanParams(_KeptHash):
    """Parameters of a plan. Names carry the units."""

    # Travel. Power balance after physics.md section 9; all [A], within the ranges given there.
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
    # Frost lies in patches, on bridges and in shade: nearly the speed of a dry road, with a caution [A].
    snow_speed_share: float = 0.5
    frost_speed_share: float = 0.9
    ice_mps: float = to_mps(15.0)
    chained_mps: float = to_mps(25.0)
    chained_ceiling_mps: float = to_mps(30.0)
    chained_bare_mps: float = to_mps(20.0)

    # A change of law on a planned road is told so many days before it takes effect [A]: time to buy and load chains.
    law_change_days: int = 21

    # Probabilities at which advice is given [A]: missing a chain-up costs far more than a needless warning. Prices, see
    # `chain_up.prices`, decide whether to chain ahead; from chain_probability on the advice is to chain in any case.
    chain_probability: float = 0.7
    ready_probability: float = 0.15
    hold_probability: float = 0.3
    # Probability of a control that bars the rig from which the advice is to hold [A]: more likely posted than not.
    barred_probability: float = 0.5
    # Probability of ice, frost or snow from which a road is a winter road and a trip at least "slow" [A]. A higher
    # `ready_probability` does not change that. Ice over more than 2 miles, in each member by itself, causes a notice
    # [A]: that is two minutes at 62 mph, too long to coast over. Shorter ice only makes a trip "slow".
    winter_probability: float = 0.15
    ice_least_m: float = 2.0 * MILE_M
    # Glaze over more than this is a hold, not a speed [A]: an hour and a half at a crawl, with no place to leave the
    # road. Ice counts by half.
    ice_hold_m: float = 20.0 * MILE_M

    # Wind, as gusts at 10 m. Wyoming's department of transportation warns light trailers off the road above 50 mph and
    # closes it to light, high-profile vehicles from 60 to 65 mph. [A] A rig with several trailers counts as light,
    # because its last trailer swings. [A] Loaded single trailers get a caution at 60 and wait at 90 mph. The same page
    # says that control is harder on slick road, without a figure: light rigs wait at 50 there, loaded ones at 65 [A].
    gust_caution_light_mps: float = to_mps(50.0)
    gust_hold_light_mps: float = to_mps(60.0)
    gust_hold_light_slick_mps: float = to_mps(50.0)
    gust_caution_mps: float = to_mps(60.0)
    gust_hold_mps: float = to_mps(90.0)
    gust_hold_slick_mps: float = to_mps(65.0)
    light_share: float = 0.55  # of the rated mass; an empty combination weighs 0.4 to 0.5 of it
    # Sight. A blizzard has gusts of 35 mph and sight below a quarter mile (NWS glossary). [A] Snow of 1 mm/h in such
    # gusts is one, where the source gives no visibility. Half a mile is the limit of a caution.
    whiteout_gust_mps: float = to_mps(35.0)
    blizzard_h: int = 3  # NWS glossary: for three hours or more
    whiteout_mmwe_h: float = 1.0
    sight_hold_m: float = 0.25 * MILE_M
    sight_caution_m: float = 0.5 * MILE_M

    # Probability on unknown pavement: "be ready" near each grade. Away from grades it makes no stretch of its own, but
    # a plan with any unknown road is never clear.
    unknown_probability: float = 0.3
    unknown_flat_probability: float = 0.1
    unknown_grade: float = 0.03
    unknown_reach_m: float = 1_000.0

    # A pass counts as this steep from foot to foot [A], because a control covers all of it: climbs and descents of more
    # than this mean grade and rise, with summits up to this length between them.
    pass_grade: float = 0.02
    pass_rise_m: float = 120.0
    pass_top_m: float = 8_000.0
    pass_counts_as_grade: float = 0.03
    # Control zones [A]: longest part of the road between passes that is posted as one, and longest zone of an authority
    # that extends a pass. A longer one, such as a whole road, is where a law applies and not where a control lies.
    zone_between_m: float = 30_000.0
    zone_longest_m: float = 60_000.0
    # Long descents [A]: common practice, no source, is to chain at the top of a long descent under 3 in of snow or
    # more. The share of drivers who do rises from none to all between these depths of snow (mm w.e.; 1 and 3 in at
    # 10:1), mean grades and lengths. Below this mass fewer do; without a trailer there is none to push.
    descent_snow_mmwe: tuple[float, float] = (2.5, 7.5)
    descent_mean_grade: tuple[float, float] = (0.04, 0.055)
    descent_length_m: tuple[float, float] = (1_600.0, 4_800.0)
    descent_mass_kg: float = 30_000.0
    descent_least_share: float = 0.5
    descent_no_trailer_share: float = 0.7

    # Our estimate of a closure [A]: snow of a day at which we expect a member's road to be closed, mm w.e.; at 10:1 a
    # mm is a cm. Basis: ploughs keep up with about 1 in/h, and roads close at several (parkrecord.com on I-80 in Utah):
    # a day at 1 in/h. Donner, 2022-23: 730 in on 64 days of snow is 11 in a day, with 15 closures.
    closed_day_snow_mmwe: float = 60.0

    # Up to this length a bridge is posted with the road beside it, whatever is on its own deck [A]: drivers slow down
    # for ice on 100 m of deck. An authority assesses a longer bridge by itself.
    short_bridge_m: float = 1_000.0

    # Geometry of stretches and stops [A].
    join_gap_m: float = 3_000.0
    stop_clearance_m: float = 300.0
    # A stop this far inside the edge of a stretch counts as outside: half a mile, less than the error of the edge.
    edge_slack_m: float = 800.0
    stop_min_spaces: int = 3
    stop_max_grade: float = 0.035
    longest_bare_run_m: float = 40_000.0  # bare road driven chained before or after the snow
    longest_bare_gap_m: float = 16_000.0  # bare road between stretches, beyond which chains come off: it breaks them

    # Extra time that another route with less chaining is worth, and time from which it counts as quicker [A].
    detour_worth_s: float = 3_600.0
    quicker_s: float = 900.0

    # Positions of a truck [A]. It stands when it moves no more than fix_stands_m in fix_stands_s.
    fix_off_route_m: float = 500.0  # farther off is off the route; this near behind the last place is still there
    fix_old_h: float = 2.0  # an older position is only the last known one
    fix_early_h: float = 2.0  # maximum time that it left before its departure
    fix_fastest_mps: float = to_mps(80.0)  # maximum speed since the last position
    fix_arrived_m: float = 1_600.0  # this near the end it has arrived
    fix_nearly_s: float = 1_800.0  # without reports, this little driving left and no requirement ahead, it has arrived
    fix_stands_m: float = 100.0
    fix_stands_s: float = 600.0

    # Work. No agency or study value exists for fitting time: 10 min per chain, at least 30, 20 to remove [A].
    hang_s_per_chain: float = 600.0
    hang_min_s: float = 1_800.0
    remove_s: float = 1_200.0

    # Prices in the choice of stops, as seconds [A].
    wear_s_per_m: float = 0.03  # chains worn on bare road
    missed_s: float = 7_200.0  # turned back without chains
    stuck_s: float = 14_400.0  # stuck
    cramped_s: float = 1_800.0  # stop with little room
    steep_s: float = 1_800.0  # stop on a grade
    unlit_s: float = 600.0  # stop without light at night
    snowed_s: float = 5_400.0  # stop on road that may itself need chains
    edge_s: float = 900.0  # stop at the very edge of such road
    kept_s: float = 1_500.0  # by which another stop must be better than one already sent; below the time to hang

    # Prices of the choice between chaining ahead and deciding at the sign, see `chain_up.prices`. Money counts as time
    # of the truck. ATRI, for 2022, by trade press; fines of Colorado (USD 579) and Washington (USD 500), by press.
    truck_hour_usd: float = 90.78
    fine_usd: float = 579.0
    enforced_frac: float = 0.2  # [A] share of trucks without chains that are fined. Washington: 64 in 146 inspected had
    # a violation (trade press, 2024); most trucks are not inspected
    recovery_usd: float = 5_000.0  # [A] a heavy recovery is often about USD 10,000 (a blog); many need only a push
    sign_wait_s: float = 1_800.0  # [A] chaining at the sign, in the queue for a full chain-up area
    late_sign_frac: float = 0.15  # [A] share of posted controls that stop a ready driver past the last place to chain
    chain_in_snow_s: float = 2_700.0  # [A] chaining where the truck began to slip, off any area, more than ahead of it
    stuck_frac: float = 0.015  # [A] share of slipping trucks with a ready driver that get stuck
    # An ordinary chained run [A]: 20 miles over a pass at chained speed, not at 45 mph as careful trucks in light snow.
    chained_run_m: float = 20.0 * MILE_M
    unchained_run_mps: float = to_mps(45.0)

    # Unlisted places, named where no listed stop serves [A].
    unlisted_s: float = 2_700.0  # price; equals 16 miles chained on bare road to a listed stop
    own_end_s: float = 2_700.0  # price of the trip's own start and end, whose room is unknown too
    own_end_reach_m: float = 8_000.0  # farther than 5 miles from the snow they are a last resort, at the next price
    own_end_far_s: float = 14_400.0
    search_spacing_m: float = 4_000.0  # one candidate in this length of road
    search_least_m: float = 2_000.0  # the driver has at least this much road before the snow to find one
    search_reach_m: float = 16_000.0  # candidates only within this distance of road that may need chains
    # Longest way chained before the snow, and bare road driven chained, that a plan asks for without its reason.
    told_early_m: float = 20.0 * MILE_M
    told_bare_m: float = 10.0 * MILE_M

    # Other departures are compared over this many hours from now; 0 compares none. Worth showing [A]: this much less
    # time under way, or this much less probability of chains; within the hour only another advice. "Leave by" is shown
    # where the road gets worse so soon after the planned departure.
    compare_h: float = 36.0
    departure_gain_s: float = 1_200.0
    departure_gain_frac: float = 0.15
    departure_near_s: float = 3_600.0
    leave_by_h: float = 6.0

    # A posted control without an end is believed for this time after its last confirmation, then fades out [A].
    posted_believed_h: float = 6.0
    posted_fades_h: float = 6.0

    # Age from which a forecast is labelled old, hours.
    stale_forecast_h: float = 6.0

    def __hash__(self) -> int:
        try:
            return self._hash
        except AttributeError:
            known = hash(tuple(getattr(self, f.name) for f in fields(self)))
            object.__setattr__(self, "_hash", known)
            return known
