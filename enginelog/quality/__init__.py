"""Can this recording be trusted at all?

parts = [measure(clip, limits) for clip in recording.blocks()]
quality = judge(parts, recording.info.seconds, limits, recording.problems)
"""

from enginelog.quality.judging import judge, nothing_read
from enginelog.quality.part import QualityPart, measure, with_hum

__all__ = ["QualityPart", "judge", "measure", "nothing_read", "with_hum"]
