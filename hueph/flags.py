"""Every quality flag and every source of uncertainty, defined once: name, meaning, and what to do about it."""

from __future__ import annotations

__all__ = ["BUDGET_SOURCES", "FLAGS", "flag_sentence"]

# name -> (meaning, remedy). The README table and every printed text come from here.
FLAGS: dict[str, tuple[str, str]] = {
    # decoding
    "profile-missing": (
        "the file names no colour profile; sRGB is assumed",
        "send the original file, not a copy from a messenger",
    ),
    "profile-broken": (
        "the embedded colour profile cannot be read; sRGB is assumed",
        "send the original file",
    ),
    # the picture
    "picture-turned": (
        "the picture was stored on its side or upside down; it was read turned upright, its tubes numbered from the left",
        "turn the file if you want to see it as it was read",
    ),
    # the strip
    "no-strip": (
        "no reference strip was found in the picture, so no pH can be stated",
        "retake with the whole strip in view beside the tubes",
    ),
    "no-chart": (
        "no chart was named, so only colours are compared",
        "name one with --chart, and photograph its strip beside the tubes",
    ),
    "strip-by-hand": ("the strip was outlined by hand", "nothing; check the overlay"),
    "strip-patch-hidden": (
        "one or more patches are covered or glared and were left out",
        "retake with the whole strip in view and no reflection on it",
    ),
    "strip-small": ("the patches are only a few pixels wide", "go nearer or crop less"),
    "strip-uneven": (
        "the strip's paper looks uneven: a reflection, a shadow, or too few pixels",
        "turn the card out of the reflection, go nearer",
    ),
    "strip-misfit": (
        "the patches do not look like the chart file's colours",
        "check that --chart is the chart in the picture, or calibrate it again",
    ),
    "standards-unlike": (
        "the chart looks different here than in the photographs of the standards, so they help little",
        "photograph standards and samples with one phone under one lamp, or put standards into the picture",
    ),
    # the tube
    "tube-by-hand": ("the tube was outlined by hand", "nothing; check the overlay"),
    "glare": ("reflections cover part of the liquid", "move the lamp to the side, switch the flash off"),
    "bright-glass": (
        "the empty glass is brighter than the backing: it mirrors light that lies over the liquid as well",
        "light the backing rather than the tubes, use white paper behind them",
    ),
    "clipped": (
        "one or more colour channels are at their limit",
        "expose less, or use less indicator when the tube is very dark",
    ),
    "too-dark": (
        "the liquid lets too little light through",
        "use less indicator or a narrower tube, add light",
    ),
    "too-little-dye": ("the colour is too faint to judge", "add a few drops more indicator"),
    "no-colour": ("the liquid looks like plain water", "add indicator"),
    "turbid": ("the liquid scatters light", "filter or let it settle; colour charts are for clear liquids"),
    "off-chart-colour": (
        "the colour does not lie on the chart's range of colours at any pH",
        "check indicator and chart; a coloured sample cannot be read this way",
    ),
    "blurred": ("the picture is out of focus here", "hold still, tap to focus on the tubes"),
    "noisy": ("the picture is very noisy or strongly compressed here", "add light, use the original file"),
    "uneven-light": (
        "the light on the tube differs strongly from the light on the strip",
        "put strip and tubes side by side under one light",
    ),
    "ambiguous": (
        "two separate pH ranges explain the colour about equally well",
        "use an indicator that turns in only one of them",
    ),
    "beyond-chart": (
        "the colour lies at or beyond the end of the chart",
        "use an indicator or chart that goes further",
    ),
    "chart-alike": (
        "the chart has nearly one colour over the whole range, so it cannot narrow it",
        "use an indicator that turns near this pH",
    ),
    # comparing
    "pairing-doubtful": (
        "two tubes look as if they had changed places between the photographs",
        "check the figure; pair the tubes by hand with --pair",
    ),
    "conflict": (
        "two readings of one sample exclude each other",
        "check which indicator and which sample went into each tube",
    ),
    "small-core": ("little of the liquid is free of rims and reflections", "go nearer, use more liquid"),
    "coloured-backing": ("the backing is coloured or dark", "stand the tubes in front of white paper"),
}


# source of uncertainty -> (meaning, what would lessen it), in the order in which they are printed.
BUDGET_SOURCES: dict[str, tuple[str, str]] = {
    "noise": (
        "grain of the picture and unevenness of the liquid",
        "more light, a larger or clearer column",
    ),
    "light": (
        "the backing's light where the tube stands",
        "even light, a plain backing, tubes further apart",
    ),
    "strip": ("noise of the patches in this picture", "go nearer to the strip"),
    "print": (
        "print error of single patches",
        "calibrate the printed card, or average several pictures of it",
    ),
    "standards": (
        "errors of the standards themselves, of their tubes and their labels",
        "more standards, of fresh buffers, best of like pH and depth in the same picture",
    ),
    "card-to-liquid": (
        "what separates ink from liquid, and patch from patch",
        "a finer chart, an indicator that turns here, or known standards",
    ),
}


def flag_sentence(name: str) -> str:
    """Return "meaning; remedy" of a flag for a person.

    Parameters
    ----------
    name : str
        One of `FLAGS`.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        No such flag.
    """
    meaning, remedy = FLAGS[name]
    return f"{meaning}; {remedy}"
