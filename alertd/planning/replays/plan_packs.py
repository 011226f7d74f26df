"""Packs the plans of a road for the archive, in the process that made them or in the one that records them."""

from collections.abc import Sequence

from alertd.plan.model.plan import Plan
from alertd.plan.serialize import plan_fields
from alertd.store.archive import PackedContent
from alertd.store.plans.plan_pack import MOST_IN_PACK, pack_texts


def pack_plans(plans: Sequence[Plan]) -> tuple[PackedContent, ...]:
    """The packs of these plans in order: MOST_IN_PACK in each but the last."""
    parts = (plans[n : n + MOST_IN_PACK] for n in range(0, len(plans), MOST_IN_PACK))
    return tuple(PackedContent.of(pack_texts([plan_fields(plan) for plan in part]).encode()) for part in parts)
