package kernel

// Peaks writes the greatest magnitude of each step samples of x to dst;
// len(x) = step·len(dst), step a multiple of 8.
func Peaks(dst, x []float64, step int) {
	for i := range dst {
		s := x[i*step : (i+1)*step]
		peak := 0.0
		for ; len(s) >= 8; s = s[8:] {
			peak = larger(peak, absMax(s[:8]))
		}
		dst[i] = peak
	}
}

// Powers writes the mean square of each step samples of x to dst;
// len(x) = step·len(dst), step a multiple of 8.
func Powers(dst, x []float64, step int) {
	if vectors && len(dst) > 0 {
		powers8(&dst[0], &x[:step*len(dst)][0], step/8, len(dst), float64(step))
		return
	}
	powersLoop(dst, x, step)
}

// powersLoop is Powers in Go.
func powersLoop(dst, x []float64, step int) {
	n := float64(step)
	for i := range dst {
		s := x[i*step : (i+1)*step]
		var e0, e1, e2, e3 float64
		for ; len(s) >= 8; s = s[8:] {
			v := (*[8]float64)(s)
			e0 += float64(v[0]*v[0]) + float64(v[4]*v[4])
			e1 += float64(v[1]*v[1]) + float64(v[5]*v[5])
			e2 += float64(v[2]*v[2]) + float64(v[6]*v[6])
			e3 += float64(v[3]*v[3]) + float64(v[7]*v[7])
		}
		dst[i] = ((e0 + e1) + (e2 + e3)) / n
	}
}
