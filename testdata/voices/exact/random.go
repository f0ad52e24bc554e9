package exact

import "math"

// Random is a stream of numbers (splitmix64, Steele, Lea and Flood 2014): small,
// fast, and ours, so that no release of Go changes a recording.
type Random struct{ state uint64 }

// NewRandom starts a stream. Streams of one seed with other names are
// independent: a voice may draw more numbers without moving the noise.
func NewRandom(seed uint64, name string) *Random {
	h := uint64(14695981039346656037) // FNV-1a of the name
	for i := 0; i < len(name); i++ {
		h ^= uint64(name[i])
		h *= 1099511628211
	}
	r := &Random{state: seed ^ h}
	r.Bits()
	return r
}

// Bits are 64 random bits.
func (r *Random) Bits() uint64 {
	r.state += 0x9e3779b97f4a7c15
	z := r.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Uniform is even in [0, 1).
func (r *Random) Uniform() float64 { return float64(r.Bits()>>11) * (1.0 / (1 << 53)) }

// Between is even in [lo, hi).
func (r *Random) Between(lo, hi float64) float64 { return lo + float64((hi-lo)*r.Uniform()) }

// Intn is even in 0..n-1.
func (r *Random) Intn(n int) int { return int(r.Bits() >> 33 % uint64(n)) }

// White is a sample of white noise of unit variance: the sum of four uniform
// numbers cut from one draw, near enough to normal for sound.
func (r *Random) White() float64 {
	b := r.Bits()
	sum := int64(b&0xffff) + int64(b>>16&0xffff) + int64(b>>32&0xffff) + int64(b>>48)
	return float64(sum-131070) * (1.7320508075688772 / 65536)
}

// Normal is a normal number of unit variance (twelve uniforms, so within ±6).
func (r *Random) Normal() float64 {
	sum := -6.0
	for range 12 {
		sum += r.Uniform()
	}
	return sum
}

// LogNormal has the given median and the standard deviation sigma of its logarithm.
func (r *Random) LogNormal(median, sigma float64) float64 {
	return float64(median * math.Exp2(float64(sigma*r.Normal())*math.Log2E))
}
