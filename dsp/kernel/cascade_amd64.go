package kernel

// vectors tells whether steps4 and steps8 run on this processor: whether it has
// AVX2, and the system saves its registers. Both do one multiplication, addition
// or subtraction at a time on four sections, in the order of Cascade, and fuse
// nothing.
func vectors() bool { return hasVectors() }

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
