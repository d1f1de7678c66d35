"""What a report of an evaluation says about its own limits."""

from typing import Final

CAUTIONS: Final = (
    "This is an aid for choosing which joints to look at. A qualified inspector decides on each of them, by "
    "the standard and the edition that the contract names. A joint without a finding is not proven sound, and "
    "a finding is not a rejection.",
    "Every figure holds for the joints that were judged here. On other parts, pitches, voxel sizes, noise or "
    "scanners it may be better or worse; sets of simulated scans say nothing certain about real ones. Before "
    "relying on a rate, judge joints of your own that people have read or cut open.",
    "Precision, and how many joints are called for nothing, depend on how often faults occur. A set with many "
    "faults flatters both; give the frequency on your own line as prevalence.KIND=…",
    "An interval says how far chance alone may have moved a figure. It knows nothing of wrong labels, of a "
    "set that was picked, or of a scanner that drifts. Where two intervals overlap widely the set does not "
    "settle which is better.",
    "Gaps and cracks thinner than about half a voxel cannot be seen, nor cracks that are closed, films of "
    "oxide, the metal layers at the lands, whether current flows, or how long a joint will last. A label of "
    "what no scan can show counts as a miss here.",
    "Labels by readers are opinions; where the truth is known the report says so. A detector that agrees with "
    "a reader shares that reader's errors.",
    "Keep this report together with the sets, the detectors and the program's version it names; limits for "
    "acceptance are yours to set.",
)
"""Sentences for the end of the page."""
