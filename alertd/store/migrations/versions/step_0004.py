"""Schema revision 4: plans are kept compressed inside their text, which earlier versions cannot read.

No table changes. Plans that are already stored stay as they are.
"""

revision, down_revision = "0004", "0003"


def upgrade() -> None:
    """Only the revision rises, so that an earlier version refuses the store."""
