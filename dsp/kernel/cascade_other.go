//go:build !amd64

package kernel

// vectors tells that there are no steps4 and steps8 for this processor.
func vectors() bool { return false }

func steps8(out, in *float64, pairs int, n *net) { panic("kernel: no vectors") }

func steps4(out, in *float64, pairs int, n *net) { panic("kernel: no vectors") }
