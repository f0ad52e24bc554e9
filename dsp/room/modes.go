package room

import (
	"cmp"
	"math"
	"slices"
)

// Kind is how many pairs of walls take part in a mode.
type Kind string

const (
	Axial      Kind = "axial"      // one pair: the strongest
	Tangential Kind = "tangential" // two pairs
	Oblique    Kind = "oblique"    // all three
)

// A Mode is a standing wave of a rectangular room with rigid walls.
type Mode struct {
	Hz         float64
	NX, NY, NZ int // half waves along width, depth and height
}

// Kind is how many pairs of walls take part.
func (m Mode) Kind() Kind {
	n := 0
	for _, k := range []int{m.NX, m.NY, m.NZ} {
		if k > 0 {
			n++
		}
	}
	switch n {
	case 1:
		return Axial
	case 2:
		return Tangential
	}
	return Oblique
}

// Modes are all up to a frequency, the lowest first:
//
//	f = c/2 · √((nx/width)² + (ny/depth)² + (nz/height)²)
//
// (H. Kuttruff, Room Acoustics, section 3.2). Sides are in metres, over 0, c is
// the speed of sound. Rooms with walls that give way or absorb miss these by
// about 5 % (*common practice*).
func Modes(width, depth, height, c, upToHz float64) []Mode {
	// In half waves a metre, squared.
	most := 2 * upToHz / c
	most *= most
	var all []Mode
	for x := 0; ; x++ {
		ofX := squared(x, width)
		if ofX > most {
			break
		}
		for y := 0; ; y++ {
			ofXY := ofX + squared(y, depth)
			if ofXY > most {
				break
			}
			for z := 0; ; z++ {
				of := ofXY + squared(z, height)
				if of > most {
					break
				}
				if of > 0 {
					all = append(all, Mode{Hz: c / 2 * math.Sqrt(of), NX: x, NY: y, NZ: z})
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Mode) int { return cmp.Compare(a.Hz, b.Hz) })
	return all
}

func squared(n int, side float64) float64 {
	r := float64(n) / side
	return float64(r * r)
}
