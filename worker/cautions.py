"""What goes with every answer that advises a cut: thermal cutting hurts people. In short, in our own words. Pure."""

from __future__ import annotations

from typing import Final

#: Sources where a figure stands: IEC 60825-1; HSE INDG459; 29 CFR 1910.252 and 1915.504; 29 CFR 1910.1026.
CAUTIONS: Final = (
    "Figures are evidence from past cuts, not permission: local codes, the machine's instructions and qualified people "
    "come first.",
    "Cutting lasers are Class 4 (IEC 60825-1): direct and scattered light blinds, burns and ignites. Enclosure and "
    "interlocks stay in force.",
    "Oxygen: air holds 21 %; from 24 % on things catch fire easily and burn fiercely (HSE INDG459). Keep oil and "
    "grease off oxygen parts, and ventilate.",
    "Hot work: clear or shield what burns within 35 ft (10.7 m), and watch for fire at least 30 minutes after the cut "
    "(29 CFR 1910.252); other codes and insurers ask for 60.",
    "Fume: extract it at the source. Chromium and manganese have strict limits (Cr(VI) 5 ug/m3 over 8 h, 29 CFR "
    "1910.1026; others are far lower); zinc, primer and paint make worse fume, and filters can burn.",
    "Parts, slag and skeleton stay hot and sharp, and tip up: lift plate with rated gear, guard and protect when "
    "grinding.",
)
