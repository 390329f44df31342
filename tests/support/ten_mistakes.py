"""Ten mistakes over all packaged engines: the engine, the mistake as ``--mistake`` takes it, words of its cause."""

MISTAKES = [
    ("larkfell-port", "other-tooth:quill-b=+2", "quill-b"),
    ("larkfell-port", "exhaust-stroke:exhaust-side", "one crank turn out"),
    ("larkfell-port", "wrong-mark:camshaft B", "camshaft B set at the mark"),
    ("larkfell-starboard", "other-tooth:sleeve-inlet=-1", "sleeve-inlet"),
    ("larkfell-starboard", "wrong-mark:inlet-side", "inlet-side magneto set at the mark"),
    ("slipway-six", "other-tooth:quill=+4", "quill"),
    ("slipway-six", "exhaust-stroke:winch", "winch magneto one crank turn out"),
    ("gantry-eight", "other-tooth:sleeve-left=+6", "sleeve-left"),
    ("gantry-eight", "wrong-mark:camshaft B", "camshaft B"),
    ("launch-inverted", "exhaust-stroke:left", "left magneto one crank turn out"),
]
