//go:build !amd64

package kernel

// vectors tells that there is no assembly for this processor.
const vectors = false

const noVectors = "kernel: no vectors here"

func steps8(out, in *float64, pairs int, n *net)                                  { panic(noVectors) }
func steps4(out, in *float64, pairs int, n *net)                                  { panic(noVectors) }
func logs4(dst, src *float64, quads int, floor, unit float64)                     { panic(noVectors) }
func exps4(dst, src *float64, quads int)                                          { panic(noVectors) }
func powers8(dst, x *float64, eights, steps int, n float64)                       { panic(noVectors) }
func ramps4(x, gains *float64, steps int, part *float64, quads int, last float64) { panic(noVectors) }
