"""The shelf of the demo: sixty rows of invented parts."""

from __future__ import annotations

SHELF_NAME = "shelf.csv"

_HEAD = """\
# What lies on the shelf of the demo (invented). To build from it alone, write in design.yaml
#   stock: {shelf: shelf.csv, pair: yes, join: 2}
# Rows with a measured value are single pieces that were put on a meter, with what is written
# on them; which of them goes left and which right is chosen for you.
"""

_ROWS = """\
kind,type,value,measured,label,count,tolerance,DCR,rating,price,note
inductor,air core,0.15 mH,,,4,5 %,0.17 ohm,8 A,5.10 EUR,1.0 mm wire
inductor,air core,0.22 mH,,,4,5 %,0.21 ohm,8 A,5.60 EUR,1.0 mm wire
inductor,air core,0.27 mH,,,2,5 %,0.24 ohm,8 A,5.90 EUR,1.0 mm wire
inductor,air core,0.33 mH,,,4,5 %,0.26 ohm,8 A,6.30 EUR,1.0 mm wire
inductor,air core,0.47 mH,,,3,5 %,0.32 ohm,8 A,7.10 EUR,1.0 mm wire
inductor,air core,0.68 mH,,,4,5 %,0.40 ohm,8 A,8.20 EUR,1.0 mm wire
inductor,air core,1.0 mH,,,2,5 %,0.33 ohm,12 A,14.50 EUR,1.4 mm wire
inductor,air core,1.5 mH,,,4,5 %,0.64 ohm,8 A,12.40 EUR,1.0 mm wire
inductor,air core,2.2 mH,,,2,5 %,0.52 ohm,12 A,22.80 EUR,1.4 mm wire
inductor,iron core,3.3 mH,,,4,8 %,0.28 ohm,7 A,14.90 EUR,
inductor,iron core,4.7 mH,,,2,8 %,0.34 ohm,6 A,16.40 EUR,
inductor,iron core,5.6 mH,,,2,8 %,0.38 ohm,6 A,17.20 EUR,
inductor,iron core,6.8 mH,,,2,8 %,0.42 ohm,5 A,18.10 EUR,
inductor,iron core,8.2 mH,,,1,8 %,0.47 ohm,5 A,19.30 EUR,one only
inductor,iron core,10 mH,,,2,8 %,0.55 ohm,5 A,21.00 EUR,
capacitor,polypropylene,1.0 uF,,,6,5 %,,400 V,1.30 EUR,
capacitor,polypropylene,1.5 uF,,,4,5 %,,400 V,1.50 EUR,
capacitor,polypropylene,2.2 uF,,,6,5 %,,400 V,1.80 EUR,
capacitor,polypropylene,3.3 uF,,,4,5 %,,400 V,2.30 EUR,
capacitor,polypropylene,3.9 uF,,,2,5 %,,400 V,2.60 EUR,
capacitor,polypropylene,4.7 uF,,,4,5 %,,400 V,2.90 EUR,
capacitor,polypropylene,5.6 uF,,,2,5 %,,250 V,3.20 EUR,
capacitor,polypropylene,6.8 uF,6.71 uF,A1,,,,250 V,3.70 EUR,
capacitor,polypropylene,6.8 uF,6.92 uF,A2,,,,250 V,3.70 EUR,
capacitor,polypropylene,6.8 uF,6.85 uF,A3,,,,250 V,3.70 EUR,
capacitor,polypropylene,6.8 uF,6.64 uF,A4,,,,250 V,3.70 EUR,
capacitor,polypropylene,8.2 uF,,,2,5 %,,250 V,4.30 EUR,
capacitor,polypropylene,10 uF,10.12 uF,B1,,,,250 V,4.90 EUR,
capacitor,polypropylene,10 uF,9.83 uF,B2,,,,250 V,4.90 EUR,
capacitor,polypropylene,10 uF,10.21 uF,B3,,,,250 V,4.90 EUR,
capacitor,polypropylene,10 uF,9.88 uF,B4,,,,250 V,4.90 EUR,
capacitor,polypropylene,15 uF,,,4,5 %,,250 V,6.90 EUR,
capacitor,polypropylene,18 uF,,,2,5 %,,250 V,8.10 EUR,
capacitor,polypropylene,22 uF,,,4,5 %,,250 V,9.60 EUR,
capacitor,polypropylene,27 uF,,,2,5 %,,250 V,11.20 EUR,
capacitor,polypropylene,33 uF,,,3,5 %,,250 V,13.40 EUR,
capacitor,bipolar electrolytic,22 uF,,,4,10 %,,100 V,0.90 EUR,
capacitor,bipolar electrolytic,33 uF,,,4,10 %,,100 V,1.10 EUR,
capacitor,bipolar electrolytic,47 uF,,,6,10 %,,100 V,1.30 EUR,
capacitor,bipolar electrolytic,68 uF,,,4,10 %,,100 V,1.60 EUR,
capacitor,bipolar electrolytic,100 uF,,,4,10 %,,100 V,2.10 EUR,
capacitor,bipolar electrolytic,150 uF,,,2,10 %,,63 V,2.60 EUR,
resistor,wirewound,0.47 ohm,,,4,5 %,,10 W,0.60 EUR,
resistor,wirewound,0.82 ohm,,,2,5 %,,10 W,0.60 EUR,
resistor,wirewound,1.0 ohm,,,6,5 %,,10 W,0.60 EUR,
resistor,wirewound,1.5 ohm,,,4,5 %,,10 W,0.60 EUR,
resistor,wirewound,2.2 ohm,,,4,5 %,,10 W,0.60 EUR,
resistor,wirewound,2.7 ohm,,,2,5 %,,10 W,0.60 EUR,
resistor,wirewound,3.3 ohm,,,4,5 %,,10 W,0.60 EUR,
resistor,wirewound,3.9 ohm,,,2,5 %,,10 W,0.60 EUR,
resistor,wirewound,4.7 ohm,,,4,5 %,,10 W,0.60 EUR,
resistor,wirewound,5.6 ohm,,,3,5 %,,10 W,0.60 EUR,
resistor,wirewound,6.8 ohm,,,4,5 %,,10 W,0.60 EUR,
resistor,wirewound,8.2 ohm,,,2,5 %,,10 W,0.60 EUR,
resistor,wirewound,10 ohm,,,6,5 %,,10 W,0.60 EUR,
resistor,wirewound,12 ohm,,,2,5 %,,10 W,0.60 EUR,
resistor,wirewound,15 ohm,,,4,5 %,,5 W,0.50 EUR,
resistor,wirewound,22 ohm,,,4,5 %,,5 W,0.50 EUR,
resistor,wirewound,33 ohm,,,2,5 %,,5 W,0.50 EUR,
resistor,wirewound,47 ohm,,,4,5 %,,5 W,0.50 EUR,
"""


def render_shelf() -> str:
    """Render the demo's list of parts at hand.

    Returns
    -------
    str
        CSV text with a comment above and one heading row; sixty rows of parts.
    """
    return _HEAD + _ROWS
