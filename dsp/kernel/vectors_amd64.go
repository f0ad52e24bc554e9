package kernel

// vectors tells whether the functions in assembly run on this processor: whether
// it has AVX2, and the system saves its registers. Each does what a loop in Go
// beside it does, four numbers at a time, in the same order, and fuses nothing:
// the bits are the same.
var vectors = hasVectors()

func hasVectors() bool

// steps8 takes a net of up to eight sections on by twice as many samples as
// pairs, 1 or more, from in to out. Each section is two samples behind the one
// before it; what the last of them gives lies at out.
//
//go:noescape
func steps8(out, in *float64, pairs int, n *net)

// steps4 is steps8 of up to four sections.
//
//go:noescape
func steps4(out, in *float64, pairs int, n *net)

// logs4 is log2s of four numbers for every quad, 1 or more.
//
//go:noescape
func logs4(dst, src *float64, quads int, floor, unit float64)

// exps4 is DBToAmplitudes of four numbers for every quad, 1 or more.
//
//go:noescape
func exps4(dst, src *float64, quads int)

// powers8 is Powers of so many steps, 1 or more, of 8·eights samples, n in all.
//
//go:noescape
func powers8(dst, x *float64, eights, steps int, n float64)

// ramps4 is a Ramp's Process over so many steps, 1 or more, of 4·quads samples.
//
//go:noescape
func ramps4(x, gains *float64, steps int, part *float64, quads int, last float64)
