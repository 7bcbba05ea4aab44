"""Every threshold of strip finding: its value and unit, what it decides, what breaks when it
moves, where it was set, and what outside the renderer supports it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

T = TypeVar("T")
# Where nothing else is said: set on rendered scenes (fixtures/, seeds of the development set),
# checked on others (tests/benchmarks/strips.py and match.py), and nothing outside speaks for it.
RENDERED = "rendered scenes"
JUDGED = "our own judgement"
TRADE = "common practice of draw-downs, no source"


@dataclass(frozen=True)
class Limit:
    value: Any
    unit: str
    decides: str
    breaks: str
    set_on: str
    outside: str


_rows: list[Limit] = []


def _at(
    value: T, unit: str, decides: str, breaks: str, set_on: str = RENDERED, outside: str = ""
) -> T:
    _rows.append(Limit(value, unit, decides, breaks, set_on, outside))
    return value


_before = set(globals())
# fmt: off

# The working picture and its even surfaces (working_picture.py)
ZONE_EDGE_SHARE = _at(70, "of 255", "a zone pixel may hold one edge pixel in four",
    "up: ink joins paper; down: paper with grain falls apart")
LEAST_PAPER_L = _at(38.0, "L*", "darker surfaces are no paper",
    "up: kraft and coloured paper go; down: tables are searched")
LEAST_BLACK_L = _at(6.0, "L*", "black paper, looked at where no other paper holds a strip",
    "down: time, shapes in shadows")
WHITE_L = _at(80.0, "L*", "so light and colourless on something darker is paper, no ink,",
    "up: scraps on a dark table are strips; down: pale inks on black paper go")
SCRAP_FILL = _at(0.98, "share", "if its rectangle is full to the corners,", "as above")
SCRAP_TEXTURE = _at(0.35, "dE", "or it changes so little along the pull", "as above")
WHITE_CHROMA = _at(12.0, "C*ab", "so colourless", "as above")
GLANCE_PX_PER_MM = _at(0.5, "px/mm", "scale of the first glance for light paper",
    "down: scraps are missed; up: time")
GLANCE_MM2 = _at(40.0, "mm2", "least light paper that the glance counts", "up: scraps are cut away")
GLANCE_MARGIN_MM = _at(12.0, "mm", "what is looked at around light paper",
    "down: strips at its rim lose their surroundings")
LIGHT_SPAN_L = _at(20.0, "L*", "papers in one photo differ by no more",
    "down: paper in shade goes; up: tables become paper")

# The paper under the strips (paper.py)
RIM_NOISE_DE = _at(3.0, "dE", "noise of a paper known from rims only",
    "down: offcuts in other light turn to ink")
PAPER_REACH_MM = _at(8.0, "mm", "how far beyond its open parts a paper is looked at",
    "down: wide strips are cut; up: time")
LEAST_PAPER_MM2 = _at(120.0, "mm2", "least open paper that is searched",
    "up: offcuts go; down: highlights become paper")
LEAST_PAPER_PART_MM2 = _at(20.0, "mm2", "least part that joins a paper",
    "up: paper between strips is lost")
RIM_REACH_MM = _at(2.5, "mm", "a rim pixel is the lightest within this",
    "up: narrow rims merge with tables")
RIM_DIP_L = _at(3.0, "L*", "give or take", "up: ink counts as rim; down: noise breaks rims")
RIM_ABOVE_L = _at(4.0, "L*", "a rim so much lighter makes tables of all even surfaces",
    "down: shading makes tables of paper")
MIRRORED_L = _at(104.0, "L*", "lighter is a mirrored lamp",
    "down: white paper above the card's white goes")
RIM_LIGHTER_MM2 = _at(60.0, "mm2", "so much lighter rim sets the lightest paper",
    "down: a glint does")
LEAST_RIM_MM2 = _at(400.0, "mm2", "so much rim is searched for strips",
    "down: time, shapes on wood")
RIM_OFF_PAPER_DE = _at(5.0, "dE", "a rim differs so much from papers seen already",
    "down: the same paper twice")

# Shapes that stand out from a paper (candidates.py)
THIN_MM = _at(3.2, "mm", "what is thinner is pencil, text or a writing line",
    "down: text counts; up: ragged strips break", RENDERED, "the test sheet's lines are 0.2 mm")
CLOSE_MM = _at(0.8, "mm", "gaps closed in ink", "up: neighbours join; down: streaks cut strips")
GAP_MM = _at(4.4, "mm", "a gap between neighbours is looked for so wide",
    "down: dark neighbours join")
LEAST_SHAPE_MM2 = _at(60.0, "mm2", "smaller shapes are not looked at",
    "up: pieces of strips are not joined")
LEAST_PART_MM2 = _at(40.0, "mm2", "smaller parts of a cut shape are dropped", "as above")
MOST_PARTS = _at(16, "count", "parts that a shape is cut into",
    "down: a sheet full of touching strips")
SMALL_SHAPE_MM2 = _at(300.0, "mm2", "more is no small piece, however narrow it measures",
    "down: time on specks")
STRONG_SHARE = _at(0.35, "of contrast", "what stands out less around ink is haze",
    "up: thin ends go; down: haze joins strips")
BLURRED_MM = _at(0.45, "mm", "from this blur on, ink bleeds over the paper",
    "down: sharp photos lose edges")
BLEEDS = _at(5.0, "of blur", "how far it bleeds", "down: blurred strips join")
BLEED_SHARE = _at(0.07, "of contrast", "and how much of it",
    "up: pale neighbours of dark strips go")

# Ink beside a printed bar (bridge.py)
LEAST_RUN_MM = _at(6.0, "mm", "the narrowest ink that counts beside a bar",
    "up: narrow strips stay cut in two")
HAZE_SHARE = _at(0.3, "of contrast", "less beside ink is no ink",
    "up: ragged ends go; down: haze joins")
EDGE_SHIFT_MM = _at(3.5, "mm", "how far an edge may move across a bar", "up: two strips become one")
BESIDE_BAR_MM = _at((0.8, 1.2, 1.6, 2.2, 2.8, 3.4, 4.0, 4.6, 5.2), "mm",
    "depths at which ink is looked for beside a bar",
    "nearer: the bar's blur; farther: fewer strips")

# Printed bars (bars.py)
BAR_PAPER_MM2 = _at(600.0, "mm2", "a paper with a bar shows at least this much of itself",
    "down: time, bars on tables")
BAR_PALE_SHARE = _at(0.1, "of contrast", "less between inks is haze", "up: haze counts as paper")
BAR_HIDDEN_MM = _at(60.0, "mm", "how much of a bar strips at its end may hide",
    "down: the last strip stays cut in two")
BESIDE_STRIP_MM = _at((1.2, 4.2), "mm", "bare bar and paper are looked at so far from a strip",
    "nearer: blur and bleed; farther: the neighbour", RENDERED, TRADE)
LEAST_BAR_MM = _at(4.0, "mm", "a narrower bar is none", "down: pencil lines")
MOST_BAR_MM = _at(40.0, "mm", "a wider one is none", "up: tables")
BAR_DARK_SHARE = _at(0.45, "of paper's Y", "a bar is darker",
    "up: shadows; down: pale home-printed bars go")
BAR_BEYOND_MM = _at(8.0, "mm", "a bar that a strip ends on is looked for so far beyond",
    "up: what lies beyond; down: such strips are not read")
LEAST_CROSSED = _at(0.6, "of breadth", "of a bar that a strip covers",
    "down: dark things at a strip's end")
BAR_MARGIN_MM = _at(1.0, "mm", "kept clear of a bar's edges",
    "down: a soft print greys the bar; up: narrow bars go")
BAR_MARGIN_PX = _at(2.0, "px", "and of its blur", "as above")

# Halves of one strip (join.py)
MOST_GAP_MM = _at(24.0, "mm", "halves farther apart are two strips",
    "down: wide bars; up: strips in line join")
BAR_GAP_MM = _at(1.5, "mm", "both halves reach the bar to within this",
    "up: strips that end before it join")

# Two strips that touch or overlap (join.py)
LEAST_HALF_MM = _at(13.0, "mm", "width of each of two strips without paper between",
    "down: one strip with a streak is two")
SEAM_STEP_MM = _at(0.25, "mm", "step across in which a seam is looked for", "up: fine gaps go")
SEAM_WITHIN = _at((0.44, 0.56), "of width", "a seam lies so near the middle",
    "wider: streaks are seams", RENDERED, TRADE)
SEAM_REACH_MM = _at(1.75, "mm", "what is right and left of a seam",
    "up: unevenness; down: wide overlaps go")
SEAM_PALER = _at(0.2, "of contrast", "a line of paper between two is so much paler",
    "up: narrow gaps go; down: streaks part a strip")
SEAM_DARKER = _at(0.12, "of contrast", "a line of double ink is so much darker",
    "down: blade lines part a strip")
SEAM_DE = _at(1.5, "dE", "two inks that touch differ so much", "down: uneven films are parted")
SEAM_SHARE = _at(0.7, "share", "of the length, and of a step of colour", "up: crooked seams go")
START_STEP_MM = _at(0.1, "mm", "step along the pull in which its start is looked for",
    "up: small steps go")
START_BEYOND_MM = _at(2.5, "mm", "before and behind the start that was found",
    "down: large steps go")
START_RIM_MM = _at(1.5, "mm", "left out at both sides", "down: round corners are steps")
START_WITHIN = _at((0.34, 0.66), "of width", "a step of the start lies so near the middle",
    "wider: a chipped blade parts a strip")
START_LEAST_MM = _at(0.35, "mm", "and is so high", "down: notches part a strip")
START_STRAIGHT_MM = _at(0.25, "mm", "both parts of a start stray no more from their line",
    "up: run-outs count; down: only clean blades do")

# A shape turned upright (rectangle.py)
STRAIGHT_MM = _at(1.0, "mm", "an edge strays by no more from its line",
    "up: rags count as straight")
PAPER_WITHIN_MM = _at(2.2, "mm", "paper shows so near an edge",
    "up: a neighbour's far side counts; down: blur hides it", RENDERED, TRADE)
PAPER_SHARE = _at(0.62, "of length", "of a long side that has paper beside it",
    "up: touching neighbours go; down: print counts")

# Is it a draw-down? (shapes.py)
WIDTH_MM = _at((7.5, 68.0), "mm", "width of a strip",
    "draw-downs outside are not found", RENDERED, TRADE)
LENGTH_MM = _at((17.0, 175.0), "mm", "length of a strip", "as above", RENDERED, TRADE)
MOST_ASPECT = _at(10.5, "ratio", "length to width", "up: rulers and knives")
ROUND_L = _at(3.5, "L*", "flanks darker than the middle by this",
    "a strip may have this or a bulge, a knife has both")
BULGE_MM = _at(1.2, "mm", "edges that bulge by this", "as above")
LEAST_FILL = _at(0.74, "share", "of its rectangle that ink covers",
    "up: streaky strips go; down: blots count")
PALE_DE = _at(3.5, "dE", "what stands out less must be the cleaner in form",
    "down: shadows; up: pale strips go")
SOLID_DE = _at(20.0, "dE", "contrast from which relief shows",
    "down: flat pale strips look round")
SOFT_MM = _at(2.2, "mm", "20-80 % rise of an edge; softer is a shadow's",
    "up: shadows; down: out of focus strips go")
STRAIGHTEN = _at(0.02, "slope", "an edge more aslant is turned once more",
    "up: aslant strips measure ragged")
SPLIT_MM = _at(1.5, "mm", "a gap along the whole length parts two strips",
    "up: neighbours join; down: streaks part")

# Choosing between candidates (choose.py)
ONE_SIDED_MM = _at(0.6, "mm", "an edge softer than the other: a shadow's side",
    "down: unevenly lit strips go")
PAPER_SPAN_L = _at(21.0, "L*", "papers of strips differ by no more", "as LIGHT_SPAN_L")
LONE_PART_DE = _at(8.0, "dE", "what the photo's edge cuts stands out more if no whole strip shows",
    "down: the grain of a table; up: pale strips cut off")
ZONE_SOFT_MM = _at(1.5, "mm", "as SOFT_MM, for surfaces whose paper hardly shows",
    "up: shadows on scraps")
UNEVEN_MM2 = _at(900.0, "mm2", "smaller even surfaces may be the middle of an uneven strip",
    "up: time")
LOOKS = _at(((7.0, 2.2, 0.6), (11.0, 4.0, 0.85)), "mm, mm, share",
    "around an even surface; within how much its paper; how light a part",
    "nearer: uneven strips; farther: neighbours")
UNCOUNTED_DE = _at(6.0, "dE", "a refused shape that is reported stands out so much",
    "down: doubts about shadows")
UNCOUNTED_FILL = _at(0.8, "share", "and fills its rectangle so well", "down: doubts about blots")
UNCOUNTED_STRAIGHT = _at(0.6, "share", "with edges so straight", "as above")

# The even part of a strip (strip.py)
EDGE_RIM_MM = _at(1.8, "mm", "left out along the edges: ridge of the blade, blur",
    "down: ridges darken the colour; up: narrow strips have no body", RENDERED, TRADE)
BIN_MM = _at(1.0, "mm", "step along the pull", "up: coarse; down: noise")
COVERED_MM = _at(15.0, "mm", "a shorter strip is not asked whether something lies on it",
    "down: noise")
COVERED_SHARE = _at(0.25, "of length", "so long another even colour: something lies on the strip",
    "down: run-outs of transparent ink (0.2 in 40 rendered scenes); up: hands (0.4)")
COVERED_EVEN_DE = _at(3.0, "dE", "even within this", "down: skin is not; up: films that taper")
COVERED_LEFT = _at(0.15, "of the rest", "and little is left beyond it", "up: bars pass for hands")
BARE_BAR_L = _at(40.0, "L*", "a darker end may lie on a bar", "down: bars; up: dark hands are ink")
COVERED_DE = _at(12.0, "dE", "and so far from the ink's", "down: films that taper")
ASIDE_DE = _at(8.0, "dE", "and from every thinner or thicker film of it", "as above")
EVEN_DE = _at(1.5, "dE", "an even stretch stays this near its mean",
    "up: thick start counts; down: short bodies")
LEAST_EVEN_SHARE = _at(0.35, "of length", "and is at least so long, or EVEN_DE is widened",
    "down: a short odd stretch speaks for the strip")
SMALL_BODY_MM2 = _at(100.0, "mm2", "a smaller body is reported", "a remark more or less")
NO_BODY_MM2 = _at(25.0, "mm2", "a smaller one is none: no verdict", "down: verdicts on specks")
GLARE_FLAG = _at(0.03, "share", "glare that is reported",
    "a remark more or less, and GLINT_SHINE of the comparison")
SHINE_CELL_MM = _at(1.0, "mm", "cell for soft glare", "up: small glints; down: noise")
SHINE_END_SHARE = _at(0.15, "of length", "ends left out: start and run-out are film",
    "down: film passes for glare")
BAR_BESIDE_MM = _at(3.0, "mm", "how far beside a strip a printed bar under it is looked for",
    "up: the next strip; down: blur of the strip's own edge")
BAR_BESIDE_SHARE = _at(0.6, "of the light beside the strip", "darker on both sides: a bar",
    "up: shadows pass for bars, windows over them are missed")
SHINE_DE = _at(1.15, "dE", "glare changes the colour by this over the strip",
    "down: chatter of the knife passes for glare")
SHINE_SD = _at(0.85, "sd", "and by this many of what the film could do (film alone: 0.9 and less "
    "where it is as smooth)", "as above")
SHINE_LIKE = _at(0.42, "correlation", "and is alike 3 mm away both ways (film alone, where it "
    "reaches as much: 0.37 and less)", "down: streaks pass for glare; up: windows pass for film")
MAY_SHINE_DE = _at(0.9, "dE", "film or a faint image of a lamp: from here on it may be either",
    "down: fewer differences are certain; up: faint glare passes for ink")
MAY_SHINE_SD = _at(0.4, "sd", "and from so many of what the film could do", "as above")
MAY_SHINE_LIKE = _at(0.28, "correlation", "and so alike (6 of 124 strips without glare)",
    "as above")
CLEAN_DE = _at(1.0, "dE", "what is left differs by less from the dullest place",
    "up: glare stays in; down: nothing is left")
LEAST_CLEAN = _at(0.3, "of strip", "must be left, or the strip is lost",
    "down: glare everywhere passes for ink")
CHANNEL_FLOOR = _at(0.008, "of white", "darker channels say nothing of colour distance",
    "down: noise of dark inks")

# Which two are the pair (reading/which_two.py)
PAIR_MOST = _at(
    {"width": 1.3, "length": 1.5, "turn": 12.0, "beside": 0.6, "gap": 3.0, "paper": 0.2},
    "ratios; degrees; share; widths; log", "two of one job stay within: width, length, turn, the "
    "share of the shorter that lies beside the other, the gap, their papers' light",
    "up: strangers; down: pairs go", JUDGED, TRADE)
ALONE_MOST = _at({"width": 1.9, "length": 2.5, "turn": 30.0}, "ratios; degrees",
    "two alone in a photo are compared within these", "as above", JUDGED, TRADE)
PAIR_USUAL = _at(
    {"width": 0.06, "length": 0.10, "turn": 2.5, "aside": 0.15, "gap": 0.8, "paper": 0.03},
    "logs; degrees; share; widths; log", "by how much two of one job usually differ",
    "up: the person is asked more often", JUDGED)
NEAR_CARD_MM = _at(60.0, "mm", "the pair usually lies so near to the card", "as above", JUDGED)
OTHER_JOB_DE = _at(20.0, "dE", "a batch that misses its original by more was never meant to be it",
    "down: bad batches are strangers", JUDGED)
CLEAR_ODDS = _at(6.0, "2 ln odds", "the best pair is so much likelier than the next (20 to 1), "
    "or the person is asked", "down: another pair is compared", JUDGED)

# Strips found and placed by hand (find.py)
MOST_STRIPS = _at(40, "count", "strips of one photo", "time and memory")
OVERLAP_SHARE = _at(0.03, "of smaller", "two places by hand may overlap: drawn edge to edge",
    "up: ink is compared with itself")
AROUND_MM = _at(6.0, "mm", "around a place by hand, where its paper is looked for",
    "up: neighbours")

# The test sheet (test_sheet.py)
SHEET_FIT_MM = _at(2.0, "mm", "markers that fit worse are not a sheet of ours lying flat",
    "up: bars where none are")

# fmt: on
TABLE = dict(zip([n for n in globals() if n not in _before and n.isupper()], _rows, strict=True))
