"""The street plan of Fennerby, an invented river town: nodes, streets, gates and what lies where.

Everything here is made up. Coordinates are metres east and north of the market place, which stands
in open water at 6.9° E, 54.4° N.
"""

from __future__ import annotations

from dataclasses import dataclass

TOWN = "Fennerby on the Wennet"
RIVER = "River Wennet"
CENTRE_LON, CENTRE_LAT = 6.9, 54.4
CRS = "EPSG:32632"

RIVER_LINE = (
    (-3400, -420), (-2400, -260), (-1700, 20), (-1250, 130), (-700, 120), (0, 0),
    (800, -190), (1300, -210), (1720, -110), (2400, 130), (3400, 260),
)  # fmt: skip

# Key, metres east, metres north.
NODE_TEXT = """
OBN 15 95         OBS -10 -105      H1 75 300         H2 85 520         H3 70 740
NG 15 960         T3 -95 750        T2 -110 520       T1 -90 300        MK -12 528
Q1 -410 190       WG -470 560       G2 -330 905       EG1 370 880       EG 480 520
Q2 440 10         G1B -620 1020     G1 -930 1130      NR1 45 1290       NR2 75 1590
N2 90 1900        NR3 130 2290      NR4 150 2620      BN 190 3080
A1 830 1075       A1B 1130 1190     N4 1480 1300      A2 1850 1510      A3 2260 1740
BNE 2820 2120     K1 880 -60        K2 1330 40        E2 1715 60        K3 -830 290
K4 -930 700       EG2 900 555       EG3 1310 610      E1 1715 650       SD1 2180 700
SD2 2600 720      BE 3120 830       E3 1690 -290      E4 1590 -920      S5 1190 -1340
S4 560 -1490      S3 20 -1480       S2 -330 -1390     S1 -620 -1230     ME -860 -1050
MW -1560 -1090    K5 -2010 -1250    KB -2420 -1420    BSC -2950 -1700   HS -1440 1830
HB -1560 2230     BNW -1690 2900    W1 -1920 1520     WB -2330 1640     BW -2960 1720
N1 -720 1770      N2A -330 1880     N2B 450 1850      N3 810 1720       SR1 -25 -450
SR2 -10 -800      SR3 15 -1140      SR4 35 -1790      SR5 55 -2120      SR6 60 -2480
BS 110 -2980      SW1 -420 -90      SE1 430 -270      SE2 860 -420      SE3 1280 -450
ST1 -250 -430     ST -520 -470      ST2 -420 -820     U1 420 -560       U2 900 -700
U3 2060 -1200     U4 2420 -1430     BSE 2880 -1780    M -1010 -1830     M2 -950 -2250
BV -860 -2950     MALL 1180 -1010   HOSP 1090 1450    SCH -1060 470     GA1 -650 1490
GA2 -600 1250     GA3 -260 1530     GA4 -240 1240     NB1 420 1540      NB2 750 1400
NB3 410 1230      KP1 900 810       KP2 1290 900      LA1 960 2040      LA2 1290 2190
LA3 690 2290      CO1 -790 2080     CO2 -440 2260     TE1 -760 -430     TE2 -770 -760
BG1 400 -870      BG2 810 -970      BG3 430 -1180     BG4 830 -1230     WH1 -1960 1190
UL1 2150 -850     SA1 -420 -2010    SA2 480 -2080     WK -2110 -930
"""

# Where a road of the town leads when it leaves the map, and what the ends of roads are called.
PLACES = {
    "BN": "Hathwick", "BNE": "Ambermere", "BE": "Strandholt", "BSE": "Ulverdyke",
    "BS": "Sallowby", "BV": "Vantry", "BSC": "Scarrow", "BW": "Greyhithe", "BNW": "Corrinmoor",
    "OBN": "Old Bridge", "OBS": "Old Bridge", "NG": "North Gate", "G2": "West Wall",
    "EG1": "East Wall", "EG": "East Wall", "WG": "West Wall", "RB": "Heath Roundabout",
    "E1": "Strand Corner", "E2": "East Bridge", "E3": "East Bridge", "E4": "Ulver Cross",
    "N2": "North Cross", "N4": "Amber Cross", "S3": "South Cross", "DX": "Scarrow Cross",
    "ME": "Scarrow Cross", "MW": "Scarrow Cross", "ST": "Station",
    "SCH": "School", "HOSP": "Infirmary", "MALL": "Ropeyard Mall", "WK": "Sluice Works",
    "Q1": "West Quay", "Q2": "East Quay", "SR1": "Station Road", "H3": "North Gate",
    "T1": "Old Bridge", "G1": "Mill Lane", "K3": "West Quay",
    "C18": "Quarry",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Street:
    """A named street: a smooth line through its nodes, one link between each two of them."""

    name: str
    road_class: str
    lanes: int
    speed_kmh: int
    nodes: str
    one_way: bool = False


@dataclass(frozen=True, slots=True)
class Dual:
    """A road of two carriageways, drawn once along its middle; it keeps to the right.

    ``nodes`` alternates keys and is resolved end by end: ``RB`` is the roundabout, ``DX`` the
    crossing, a key of the node table an end where both carriageways meet, any other key a point
    where both carriageways are cut (``at`` gives its place).
    """

    name: str
    road_class: str
    lanes: int
    speed_kmh: int
    nodes: tuple[str, ...]
    bridge: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Stub:
    """A cul-de-sac: from a node, in a compass direction, with the homes along it."""

    node: str
    bearing_deg: float
    length_m: float
    homes: int
    name: str


ROUNDABOUT = (-1340.0, 1380.0, 34.0)
# Key of the ring node, its angle counter-clockwise from east; the order is the way traffic goes round.
RING = (("RSE", 328), ("RNE", 24), ("RN", 108), ("RW", 165), ("RSO", 255), ("RSI", 285))
# The crossing of Westway and the ring: middle and half the distance between carriageways.
CROSSING = (-1205.0, -1060.0)
HALF_GAP_M = 7.5
DUAL_POINTS = {"DA": (-1345, 640), "DB": (-1325, 290), "DC": (-1275, -90), "DD": (-1235, -620)}
DUALS = (
    Dual("Westway", "trunk", 2, 80, ("RB", "DA", "DB", "DC", "DD", "DX"), ("DB", "DC")),
    Dual("Westway", "trunk", 2, 80, ("DX", "M")),
    Dual("Southern Ring", "primary", 2, 60, ("DX", "ME")),
    Dual("Scarrow Road", "primary", 2, 60, ("MW", "DX")),
)

STREETS = (
    Street("Vantry Road", "trunk", 2, 80, "M M2 BV"),
    Street("Greyhithe Road", "primary", 2, 60, "RW W1 WB BW"),
    Street("Heath Road", "primary", 2, 60, "RN HS HB BNW"),
    Street("Greyhithe Road", "secondary", 2, 50, "RSE G1 G1B G2"),
    Street("Northern Ring", "primary", 2, 60, "RNE N1 N2A N2 N2B N3 N4"),
    Street("Eastern Ring", "primary", 2, 60, "N4 E1 E2 E3 E4"),
    Street("Southern Ring", "primary", 2, 60, "E4 S5 S4 S3 S2 S1 ME"),
    Street("Scarrow Road", "primary", 2, 60, "BSC KB K5 MW"),
    Street("North Road", "secondary", 2, 50, "NG NR1 NR2 N2 NR3 NR4 BN"),
    Street("Ambermere Road", "secondary", 2, 50, "EG1 A1 A1B N4 A2 A3 BNE"),
    Street("Strand Road", "primary", 2, 60, "E1 SD1 SD2 BE"),
    Street("Eastgate Road", "secondary", 2, 50, "EG EG2 EG3 E1"),
    Street("South Road", "secondary", 2, 50, "OBS SR1 SR2 SR3 S3 SR4 SR5 SR6 BS"),
    Street("Ulverdyke Road", "secondary", 2, 50, "SR1 U1 U2 E4 U3 U4 BSE"),
    Street("Old Bridge", "secondary", 2, 50, "OBN OBS"),
    Street("Lantern Street", "secondary", 1, 30, "OBN H1 H2 H3 NG", one_way=True),
    Street("Tanner Street", "secondary", 1, 30, "NG T3 T2 T1 OBN", one_way=True),
    Street("West Wall", "secondary", 2, 50, "Q1 WG G2 NG"),
    Street("East Wall", "secondary", 2, 50, "NG EG1 EG Q2"),
    Street("West Quay", "secondary", 2, 40, "OBN Q1"),
    Street("East Quay", "secondary", 2, 40, "OBN Q2"),
    Street("Saltern Street", "tertiary", 2, 50, "Q2 K1 K2 E2"),
    Street("Mill Lane", "tertiary", 2, 40, "Q1 K3 K4 G1"),
    Street("School Lane", "local", 2, 30, "K3 SCH K4"),
    Street("Market Place", "local", 2, 20, "H2 MK T2"),
    Street("Ferry Lane", "local", 2, 20, "T1 H1"),
    Street("Bell Lane", "local", 2, 20, "T3 H3"),
    Street("Station Road", "tertiary", 2, 40, "SR1 ST1 ST"),
    Street("South Quay", "tertiary", 2, 40, "ST SW1 OBS"),
    Street("Netherquay", "tertiary", 2, 40, "OBS SE1 SE2 SE3 E3"),
    Street("Signal Street", "local", 2, 30, "ST ST2 SR2"),
    Street("Tanners' End", "local", 2, 30, "ST TE1 TE2 S1"),
    Street("Lime Row", "local", 2, 30, "TE2 ST2"),
    Street("Ropeyard Way", "tertiary", 2, 40, "U2 MALL S5"),
    Street("Capstan Street", "local", 2, 30, "SE1 U1"),
    Street("Anchor Street", "local", 2, 30, "SE2 U2"),
    Street("Bellgarth", "local", 2, 30, "SR2 BG1 BG2 MALL"),
    Street("Bellgarth Park", "local", 2, 30, "SR3 BG3 BG4 S5"),
    Street("Cooper Street", "local", 2, 30, "U1 BG1 BG3 S4"),
    Street("Wicker Street", "local", 2, 30, "BG2 BG4"),
    Street("Glebe Rise", "local", 2, 30, "N1 GA1 GA2 G1B"),
    Street("Glebe Walk", "local", 2, 30, "GA1 GA3 NR2"),
    Street("Orchard Street", "local", 2, 30, "GA2 GA4 NR1"),
    Street("Pear Tree Row", "local", 2, 30, "GA3 GA4"),
    Street("Upmeads", "local", 2, 30, "NR2 NB1 NB2 A1"),
    Street("Meadow Street", "local", 2, 30, "NR1 NB3 NB1"),
    Street("Infirmary Road", "tertiary", 2, 40, "N3 HOSP A1B"),
    Street("Thistle Street", "local", 2, 30, "NB2 HOSP"),
    Street("Kestrel Park", "local", 2, 30, "A1 KP1 EG2"),
    Street("Falcon Street", "local", 2, 30, "KP1 KP2 EG3"),
    Street("Larkhay", "local", 2, 30, "N3 LA1 LA2"),
    Street("Linnet Way", "local", 2, 30, "LA1 LA3"),
    Street("Corrin Way", "local", 2, 30, "N1 CO1 CO2 NR3"),
    Street("Whinmoor", "local", 2, 30, "W1 WH1"),
    Street("Ulver Green", "local", 2, 30, "U3 UL1"),
    Street("Sallow Lane", "local", 2, 30, "SR5 SA1"),
    Street("Hazel Road", "local", 2, 30, "SR5 SA2 S4"),
    Street("Sluice Road", "tertiary", 2, 50, "K5 WK"),
)  # fmt: skip

BRIDGES = (("OBN", "OBS"), ("E2", "E3"))

STUBS = (
    Stub("GA1", 265, 210, 150, "Glebe Close"), Stub("GA2", 250, 190, 120, "Rectory Close"),
    Stub("GA3", 350, 170, 110, "Plum Tree Court"), Stub("GA4", 165, 150, 90, "Damson Court"),
    Stub("NB1", 20, 170, 130, "Clover Court"), Stub("NB2", 60, 120, 90, "Sorrel Court"),
    Stub("NB3", 170, 170, 140, "Teasel Court"), Stub("KP1", 285, 210, 130, "Merlin Close"),
    Stub("KP2", 20, 200, 160, "Harrier Close"), Stub("KP2", 95, 190, 110, "Osprey Close"),
    Stub("LA2", 60, 200, 170, "Siskin Close"), Stub("LA2", 340, 190, 140, "Dunnock Close"),
    Stub("LA3", 330, 200, 150, "Wren Close"), Stub("LA3", 50, 190, 120, "Pipit Close"),
    Stub("CO1", 290, 200, 140, "Corrin Close"), Stub("CO2", 330, 190, 160, "Heron Close"),
    Stub("WH1", 250, 190, 150, "Whin Close"), Stub("WH1", 175, 200, 120, "Gorse Close"),
    Stub("W1", 340, 220, 35, "Quarry Lane"), Stub("TE1", 280, 190, 130, "Currier Yard"),
    Stub("TE1", 340, 180, 80, "Barkhouse Yard"), Stub("TE2", 255, 180, 140, "Fuller Yard"),
    Stub("ST2", 190, 150, 90, "Semaphore Yard"), Stub("BG1", 320, 130, 100, "Hoop Court"),
    Stub("BG2", 40, 130, 90, "Stave Court"), Stub("BG3", 250, 140, 130, "Barrel Court"),
    Stub("BG4", 150, 120, 110, "Osier Court"), Stub("SE3", 200, 170, 130, "Hawser Court"),
    Stub("SE2", 20, 130, 70, "Quayside Court"), Stub("UL1", 20, 190, 140, "Alder Close"),
    Stub("UL1", 300, 200, 110, "Rowan Close"), Stub("SA1", 260, 220, 160, "Willow Close"),
    Stub("SA1", 190, 200, 120, "Osier Close"), Stub("SA2", 110, 210, 160, "Hazel Close"),
    Stub("SA2", 180, 200, 130, "Cobnut Close"), Stub("K4", 300, 170, 60, "Miller Yard"),
    Stub("WG", 270, 150, 70, "Postern Yard"), Stub("EG3", 160, 230, 120, "Saltern Close"),
    Stub("K2", 20, 170, 90, "Brine Close"), Stub("HS", 290, 190, 25, "Heather Lane"),
    Stub("NR4", 80, 240, 30, "Hathwick Lane"), Stub("A3", 140, 220, 60, "Amber Close"),
    Stub("SD2", 170, 230, 45, "Strand Close"), Stub("KB", 160, 230, 20, "Scarrow Lane"),
    Stub("SR6", 260, 200, 30, "Marl Lane"), Stub("U4", 230, 210, 40, "Dyke Lane"),
    Stub("K1", 0, 170, 110, "Saltpan Court"), Stub("SW1", 250, 170, 60, "Ferryman Yard"),
    Stub("U1", 40, 150, 80, "Capstan Court"), Stub("EG2", 190, 190, 100, "Postern Court"),
)  # fmt: skip

# Round the eastern ring: eight roads cross it, and all of them are counted.
CORDON_NAME = "Eastern Ring"
CORDON = (
    (1540, 800), (1860, 800), (1960, 100), (1960, -500), (1800, -1000), (1480, -1060), (1420, -860),
    (1540, -600), (1560, 100),
)  # fmt: skip
