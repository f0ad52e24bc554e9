package codec

import (
	"encoding/binary"
	"math"
)

// toFloats converts one sample from b into each of dst, stride bytes apart.
// It returns the index of the first that is no usable number, or -1.
type toFloats func(dst []float64, b []byte, stride int) (bad int)

// fromPCM is the conversion of little-endian samples of a number of bytes.
func fromPCM(bytes int, float bool) toFloats {
	switch {
	case float && bytes == 4:
		return fromFloat32
	case float:
		return fromFloat64
	case bytes == 1:
		return fromUint8
	case bytes == 2:
		return fromInt16
	case bytes == 3:
		return fromInt24
	default:
		return fromInt32
	}
}

func fromUint8(dst []float64, b []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int(b[0])-128) * 0x1p-7
		b = b[min(stride, len(b)):]
	}
	return -1
}

func fromInt16(dst []float64, b []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int16(binary.LittleEndian.Uint16(b))) * 0x1p-15
		b = b[min(stride, len(b)):]
	}
	return -1
}

func fromInt24(dst []float64, b []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int32(b[0])<<8|int32(b[1])<<16|int32(b[2])<<24) * 0x1p-31
		b = b[min(stride, len(b)):]
	}
	return -1
}

func fromInt32(dst []float64, b []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(b))) * 0x1p-31
		b = b[min(stride, len(b)):]
	}
	return -1
}

func fromFloat32(dst []float64, b []byte, stride int) int {
	for i := range dst {
		x := float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
		dst[i] = x
		if !(x >= -loudest && x <= loudest) { // false for NaN too
			return i
		}
		b = b[min(stride, len(b)):]
	}
	return -1
}

func fromFloat64(dst []float64, b []byte, stride int) int {
	for i := range dst {
		x := math.Float64frombits(binary.LittleEndian.Uint64(b))
		dst[i] = x
		if !(x >= -loudest && x <= loudest) {
			return i
		}
		b = b[min(stride, len(b)):]
	}
	return -1
}

// toGrid brings full scale ±1 to the nearest integer of a number of bits,
// halves to even, and counts what had to be clipped. NaN is not a sample:
// the caller has seen to it.
func toGrid(dst []int32, src []float64, bits int) (clipped int64) {
	scale := float64(int64(1) << (bits - 1))
	top := scale - 1
	for i, x := range src {
		v := math.RoundToEven(x * scale)
		if v > top {
			v = top
			clipped++
		} else if v < -scale {
			v = -scale
			clipped++
		}
		dst[i] = int32(v)
	}
	return clipped
}

// firstNaN is the index of the first NaN in x, or -1.
func firstNaN(x []float64) int {
	for i, v := range x {
		if v != v {
			return i
		}
	}
	return -1
}
