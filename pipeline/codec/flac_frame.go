package codec

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

var (
	// errFrame: the frame is not as RFC 9639 says, or its CRC-16 is wrong.
	errFrame = errors.New("not a FLAC frame")
	// errShort: the frame does not end in what there is of it.
	errShort = errors.New("not a whole FLAC frame")
)

// frameBits reads the bits of one frame. Reading past the end gives zeros and
// is noticed by over; so the loops need one test each. Eight bytes more than
// the frame's must be there to be loaded.
type frameBits struct {
	b   []byte
	pos uint // in bits
	end uint
}

// peek is the next 57 bits at least, from the top.
func (r *frameBits) peek() uint64 {
	i := r.pos >> 3
	if i > uint(len(r.b)-8) {
		return 0
	}
	return binary.BigEndian.Uint64(r.b[i:]) << (r.pos & 7)
}

func (r *frameBits) over() bool { return r.pos > r.end }

// take reads n bits, at most 32.
func (r *frameBits) take(n uint) uint32 {
	v := r.peek() >> (64 - n)
	r.pos += n
	return uint32(v)
}

// signed reads a two's complement number of n bits, at most 32; of no bits it is 0.
func (r *frameBits) signed(n uint) int32 {
	if n == 0 {
		return 0
	}
	v := int64(r.peek()) >> (64 - n)
	r.pos += n
	return int32(v)
}

// unary counts zeros up to a one.
func (r *frameBits) unary() uint {
	n := uint(0)
	for !r.over() {
		if z := uint(bits.LeadingZeros64(r.peek())); z < 57 {
			r.pos += z + 1
			return n + z
		}
		r.pos += 57
		n += 57
	}
	return n
}

// decodeFrame decodes the subframes of the frame at the start of b, which has
// 8 bytes of padding after it, into ch, and returns the frame's bytes. The
// CRC-16 is right when err is nil.
func decodeFrame(b []byte, h frameHeader, si streamInfo, table *[256]uint16, ch [][]int32) (n int, err error) {
	r := frameBits{b: b, pos: uint(h.bytes) * 8, end: uint(len(b)-8) * 8}
	for c := range ch {
		width := uint(si.bits)
		if h.stereo == sideRight && c == 0 || (h.stereo == leftSide || h.stereo == midSide) && c == 1 {
			width++
		}
		if err := r.subframe(ch[c], width); err != nil {
			return 0, err
		}
	}
	n = int(r.pos+7)/8 + 2
	if n > len(b)-8 {
		return 0, errShort
	}
	if crc16(table, b[:n]) != 0 {
		return 0, errFrame
	}
	if h.stereo != independent {
		undo(h.stereo, ch[0], ch[1])
	}
	return n, nil
}

// undo makes left and right of what stands for them.
func undo(s stereo, a, b []int32) {
	for i, x := range a {
		y := b[i]
		switch s {
		case leftSide:
			b[i] = x - y
		case sideRight:
			a[i] = x + y
		case midSide:
			m := x<<1 | y&1
			a[i], b[i] = (m+y)>>1, (m-y)>>1
		}
	}
}

// subframe decodes one channel (RFC 9639 section 9.2).
func (r *frameBits) subframe(x []int32, width uint) error {
	head := r.take(8)
	if head&0x80 != 0 {
		return errFrame
	}
	wasted := uint(0)
	if head&1 != 0 {
		wasted = r.unary() + 1
	}
	if wasted >= width {
		return errFrame
	}
	width -= wasted
	var err error
	switch kind := head >> 1; {
	case kind == 0:
		v := r.signed(width)
		for i := range x {
			x[i] = v
		}
	case kind == 1:
		for i := range x {
			x[i] = r.signed(width)
		}
	case kind >= 8 && kind <= 12:
		err = r.fixed(x, int(kind-8), width)
	case kind >= 32:
		err = r.linear(x, int(kind-31), width)
	default:
		return errFrame
	}
	if r.over() {
		return errShort
	}
	if err != nil {
		return err
	}
	if wasted > 0 {
		for i := range x {
			x[i] <<= wasted
		}
	}
	return nil
}

// fixed decodes a subframe of polynomial prediction.
func (r *frameBits) fixed(x []int32, order int, width uint) error {
	if err := r.residual(x, order, width); err != nil {
		return err
	}
	switch order {
	case 1:
		for i := 1; i < len(x); i++ {
			x[i] += x[i-1]
		}
	case 2:
		for i := 2; i < len(x); i++ {
			x[i] += 2*x[i-1] - x[i-2]
		}
	case 3:
		for i := 3; i < len(x); i++ {
			x[i] += 3*(x[i-1]-x[i-2]) + x[i-3]
		}
	case 4:
		for i := 4; i < len(x); i++ {
			x[i] += 4*(x[i-1]+x[i-3]) - 6*x[i-2] - x[i-4]
		}
	}
	return nil
}

// linear decodes a subframe of linear prediction.
func (r *frameBits) linear(x []int32, order int, width uint) error {
	if order > len(x) {
		return errFrame
	}
	for i := range order {
		x[i] = r.signed(width)
	}
	precision, shift := uint(r.take(4))+1, r.signed(5)
	if precision == 16 || shift < 0 {
		return errFrame
	}
	var coeffs [32]int64 // the one for the oldest sample first
	for j := range order {
		coeffs[order-1-j] = int64(r.signed(precision))
	}
	if err := r.codes(x, order); err != nil {
		return err
	}
	c := coeffs[:order]
	for i := order; i < len(x); i++ {
		sum := int64(0)
		past := x[i-order : i]
		past = past[:len(c)]
		for j, k := range c {
			sum += k * int64(past[j])
		}
		x[i] += int32(sum >> shift)
	}
	return nil
}

// residual reads the warm-up samples and the residual after them.
func (r *frameBits) residual(x []int32, order int, width uint) error {
	if order > len(x) {
		return errFrame
	}
	for i := range order {
		x[i] = r.signed(width)
	}
	return r.codes(x, order)
}

// codes reads the Rice codes of a residual into x[order:] (section 9.2.7).
func (r *frameBits) codes(x []int32, order int) error {
	method, depth := r.take(2), r.take(4)
	if method > 1 {
		return errFrame
	}
	width := 4 + uint(method)
	escape := uint32(1)<<width - 1
	size := len(x) >> depth
	if size<<depth != len(x) || size < order || size == 0 {
		return errFrame
	}
	from := order
	for to := size; to <= len(x); to += size {
		k := r.take(width)
		if k == escape {
			n := uint(r.take(5))
			for i := range x[from:to] {
				x[from+i] = r.signed(n)
			}
		} else {
			r.rice(x[from:to], uint(k))
		}
		if r.over() {
			return errShort
		}
		from = to
	}
	return nil
}

// rice reads one partition.
func (r *frameBits) rice(x []int32, k uint) {
	b, pos := r.b, r.pos
	for i := range x {
		at := pos >> 3
		if at > uint(len(b)-8) { // past the end: over says so
			r.pos = pos
			return
		}
		w := binary.BigEndian.Uint64(b[at:]) << (pos & 7)
		q := uint(bits.LeadingZeros64(w))
		var v uint32
		if q+1+k <= 57 {
			v = uint32(q)<<k | uint32(w<<(q+1)>>(64-k))
			pos += q + 1 + k
		} else {
			r.pos = pos
			q = r.unary()
			v = uint32(q)<<k | r.take(k)
			pos = r.pos
		}
		x[i] = int32(v>>1) ^ -int32(v&1)
	}
	r.pos = pos
}
