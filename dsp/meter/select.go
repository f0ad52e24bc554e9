package meter

// nth is the value that would stand at place k of v in order, and leaves v in
// another one: Hoare, "Algorithm 65: FIND", Communications of the ACM 4(7), 1961.
// A median of thousands of values needs no sorting of them. NaN has no place.
func nth(v []float64, k int) float64 {
	for low, high := 0, len(v)-1; low < high; {
		pivot := v[k]
		i, j := low, high
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for pivot < v[j] {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		if j < k {
			low = i
		}
		if k < i {
			high = j
		}
	}
	return v[k]
}
