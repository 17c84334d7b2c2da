"""Can this recording be trusted at all?

parts = [measure(clip, limits) for clip in recording.blocks()]
quality = judge(parts, recording.info.seconds, limits, recording.problems)
"""

from enginelog.quality.judging import judge, nothing_read, with_beside
from enginelog.quality.part import QualityPart, measure, with_hum
from enginelog.quality.whole import silences

__all__ = ["QualityPart", "judge", "measure", "nothing_read", "silences", "with_beside", "with_hum"]
