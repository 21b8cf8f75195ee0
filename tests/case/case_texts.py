"""Case files as text: the smallest, one that says everything, and many with one thing wrong."""

HEAD = 'schema = "blockout-case/1"\n'
SMALL = HEAD + '[cast]\nfile = "scan.stl"\n'
FULL = """\
schema = "blockout-case/1"      # edition
name = "Demo case A"

[cast]
file = "../scans/scan.stl"
unit = "mm"
arch = "upper"
up = "+z"
front = "0, 1, 0.5"
stray_share = 0.2
hole_length_mm = 8
border_trim_mm = "0.04 in"
land_mm = 3.5
base_thickness_mm = "1.2 cm"
base_height_mm = "0.5 in"

[path]                          # how the cast lies
anterior_tilt_deg = 4
lateral_tilt_deg = -2.5
warn_tilt_deg = 12
max_tilt_deg = 25

[survey]
gauges_mm = [
    0.25,
    "0.020 in",
    "30 ga",
]
noise_depth_mm = "10 um"

[parallel]
taper_deg = 2
floor_mm = -12
keep_in = [[[0, 0, 0], [10, 0, 0], [0, 10, 0]]]
keep_out = [
    [[1, 1, 0], [2, 1, 0], [2, 2, 0], [1, 2, 0]],
    [[5, 5, 0], [6, 5, 0], [6, 6, 0]],
]
"""

ONE_WRONG = [
    # text after HEAD, line, words
    ('[cast]\nfile = "a"\ntaper = 2', 4, '"taper" is not a key of [cast]'),
    ('[cast]\nfile = "a"\n[parallel]\ntaper = 2', 5, "The nearest is taper_deg."),
    ('[cast]\nfile = "a"\n[parallel]\nTaper_Deg = 2', 5, "The nearest is taper_deg."),
    ('[cast]\nfile = "a"\n[parallel]\ntaper-deg = 2', 5, "The nearest is taper_deg."),
    ('[cast]\nfile = "a"\n[path]\nlatteral_tilt = 2', 5, "The nearest is lateral_tilt_deg."),
    ('[cast]\nfile = "a"\n[path]\nanterior = 2', 5, "The nearest is anterior_tilt_deg."),
    ('[cast]\nfile = "a"\ntaper_deg = 2', 4, "taper_deg belongs in [parallel]."),
    ('[cast]\nfile = "a"\n[survey]\nland_mm = 2', 5, "land_mm belongs in [cast]."),
    ('land_mm = 2\n[cast]\nfile = "a"', 2, "land_mm belongs in [cast]."),
    ('colour = "red"\n[cast]\nfile = "a"', 2,
     'not a key of the top level; at a.toml line 2. Known are schema, name, [cast], [path], '
     "[survey], [choosing], "),
    ('[cast]\nfile = "a"\n[paralel]\ntaper_deg = 2', 4, "The nearest is [parallel]."),
    ('[cast]\nfile = "a"\n[path.deep]\nx = 1', 4, '"deep" is not a key of [path]'),
    ('[cast]\narch = "lower"', 2, "[cast] file is missing"),
    ('[cast]\nfile = ""', 3, "[cast] file is empty"),
    ('[cast]\nfile = 3', 3, "[cast] file = 3 cannot be used; text in quotes is due"),
    ('[cast]\nfile = "a\\u0000b"', 3, '[cast] file = "a\\x00b"'),
    (f'[cast]\nfile = "{"a" * 5000}"', 3, "too long; at most 4096 characters"),
    ('name = 2020-02-02\n[cast]\nfile = "a"', 2, "name = 2020-02-02 cannot be used; text"),
    ('cast = 3', 2, "[cast] = 3 cannot be used; a table of keys is due"),
    ('[[cast]]\nfile = "a"', 2, "a table of keys is due"),
    ('[cast]\nfile = "a"\narch = "Lowr"', 4, 'allowed "lower", "upper"; at a.toml line 4. '
     'The nearest is "lower".'),
    ('[cast]\nfile = "a"\nunit = "ft"', 4, '[cast] unit = "ft" is not known; allowed "mm", "cm"'),
    ('[cast]\nfile = "a"\nup = "above"', 4, "'above' is not a direction"),
    ('[cast]\nfile = "a"\nup = [0, 0, 1]', 4, "up = [0, 0, 1] cannot be used; text in quotes"),
    ('[cast]\nfile = "a"\nup = "0,0,0"', 4, "its length is 0"),
    ('[cast]\nfile = "a"\nup = "z"\nfront = "0,0,-2"', 5, "lie along one line"),
    ('[cast]\nfile = "a"\nland_mm = "3 ft"', 4, "unit 'ft', allowed mm, cm, um, in, ga"),
    ('[cast]\nfile = "a"\nland_mm = "40 in"', 4,
     '[cast] land_mm = "40 in" (1016 mm) is too large; allowed 0.5 to 10 mm'),
    ('[cast]\nfile = "a"\nland_mm = 0.4', 4, "land_mm = 0.4 is too small; allowed 0.5 to 10 mm"),
    ('[cast]\nfile = "a"\nbase_height_mm = -0.5', 4,
     "[cast] base_height_mm = -0.5 is too small; allowed 0 to 100 mm"),
    ('[cast]\nfile = "a"\nbase_hight = 5', 4, "The nearest is base_height_mm."),
    ('[cast]\nfile = "a"\nstray_share = "0.1"', 4, 'stray_share = "0.1" cannot be used; a number'),
    ('[cast]\nfile = "a"\nstray_share = true', 4, "stray_share = true cannot be used; a number"),
    ('[cast]\nfile = "a"\nland_mm = false', 4, "land_mm = false cannot be used; a number is due"),
    ('[cast]\nfile = "a"\nland_mm = nan', 4, "land_mm = nan cannot be used; a finite number"),
    (f'[cast]\nfile = "a"\nland_mm = {"9" * 400}', 4, "a number of very many digits"),
    ('[cast]\nfile = "a"\n[path]\nanterior_tilt_deg = 95', 5,
     "[path] anterior_tilt_deg = 95 is too large; allowed -60 to 60 deg"),
    ('[cast]\nfile = "a"\n[path]\nmax_tilt_deg = 61', 5, "allowed 0 to 60 deg"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 0]', 5, "(0, 0, 0) is not a direction"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 1e-7]', 5, "its length is 1e-07"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 1e300]', 5, "its length is 1e+300"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 1]', 5, "direction = [0, 1] has 2 numbers"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 1, 2, 3]', 5, "has 4 numbers; three are due"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [\n0,\n0,\n"1"]', 8,
     'direction coordinate 3 = "1" cannot be used; a number is due'),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, inf]', 5, "coordinate 3 = inf"),
    ('[cast]\nfile = "a"\n[path]\ndirection = "z"', 5, "a list in square brackets is due"),
    ('[cast]\nfile = "a"\n[path]\nlateral_tilt_deg = 0\n\ndirection = [0, 0, 1]', 7,
     "the path is said twice, by direction and by lateral_tilt_deg; keep one"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 1]\nlateral_tilt_deg = 0\n'
     "anterior_tilt_deg = 1", 5, "by direction and by anterior_tilt_deg and lateral_tilt_deg"),
    ('[cast]\nfile = "a"\n[survey]\ngauges_mm = 0.25', 5, "a list in square brackets is due"),
    ('[cast]\nfile = "a"\n[survey]\ngauges_mm = [0.25,\n"0.1 in",\n"6 mm"]', 7,
     'gauges_mm gauge 3 = "6 mm" (6 mm) is too large; allowed 0.01 to 5 mm'),
    ('[cast]\nfile = "a"\n[survey]\ngauges_mm = [0]', 5, "gauge 1 = 0 is too small"),
    ('[cast]\nfile = "a"\n[survey]\nnoise_depth_mm = "a bit"', 5, "'a bit' is not a length"),
    ('[cast]\nfile = "a"\n[parallel]\ntaper_deg = 10.5', 5, "allowed 0 to 10 deg"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_in = [[0, 0, 0]]', 5,
     "keep_in outline 1 point 1 = 0 cannot be used; a list in square brackets is due"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_in = [\n[[0, 0, 0], [1, 0, 0]]]', 6,
     "keep_in outline 1 has 2 points; an outline needs three at least"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_out = [[], [[0, 0, 0], [1, 0, 0], [1, 1, 1]]]', 5,
     "keep_out outline 1 has 0 points"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_out = [[[0, 0, 0], [1, 0, 0], [0, 0, 0.0]]]', 5,
     "three different points at least, this one has 2"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_in = [[[0, 0, 0],\n[1, 0, 0],\n[1, 0]]]', 7,
     "keep_in outline 1 point 3 = [1, 0] has 2 numbers; three are due"),
]  # fmt: skip
