#include "textflag.h"

// func step4(xRe, xIm, yRe, yIm, cos, sin *float64, quarter, stride, turn int)
//
// The step of radix4, two values at a time; every operation is the one that the
// Go code does on each, in its order, so that the bits are the same. SSE2 is
// part of every amd64.
TEXT ·step4(SB), NOSPLIT, $0-72
	MOVQ xRe+0(FP), SI
	MOVQ xIm+8(FP), DI
	MOVQ yRe+16(FP), R8
	MOVQ yIm+24(FP), R9
	MOVQ cos+32(FP), AX
	MOVQ sin+40(FP), BX
	MOVQ quarter+48(FP), R15
	MOVQ stride+56(FP), R12
	MOVQ turn+64(FP), DX
	SHLQ $3, DX             // bytes between twiddles
	SHLQ $3, R12            // stride in bytes: between outputs
	LEAQ (R12)(R12*2), R13
	MOVQ R12, R10
	IMULQ R15, R10          // between inputs
	LEAQ (R10)(R10*2), R11
	XORQ CX, CX             // of the twiddle

outer:
	LEAQ (CX)(CX*2), R14
	MOVSD (AX)(CX*1), X10
	UNPCKLPD X10, X10       // cos of p
	MOVSD (BX)(CX*1), X11
	UNPCKLPD X11, X11
	MOVSD (AX)(CX*2), X12
	UNPCKLPD X12, X12       // of 2p
	MOVSD (BX)(CX*2), X13
	UNPCKLPD X13, X13
	MOVSD (AX)(R14*1), X14
	UNPCKLPD X14, X14       // of 3p
	MOVSD (BX)(R14*1), X15
	UNPCKLPD X15, X15
	MOVQ R12, R14           // bytes left of this p

inner:
	MOVUPD (SI), X0
	MOVUPD (SI)(R10*2), X1
	MOVUPD (DI), X2
	MOVUPD (DI)(R10*2), X3
	MOVUPD (SI)(R10*1), X4
	MOVUPD (SI)(R11*1), X5
	MOVUPD (DI)(R10*1), X6
	MOVUPD (DI)(R11*1), X7

	MOVAPD X0, X8
	ADDPD X1, X8            // a + c
	SUBPD X1, X0            // a - c
	MOVAPD X2, X9
	ADDPD X3, X9
	SUBPD X3, X2
	MOVAPD X4, X1
	ADDPD X5, X1            // b + d
	SUBPD X5, X4            // b - d
	MOVAPD X6, X3
	ADDPD X7, X3
	SUBPD X7, X6

	MOVAPD X8, X5
	ADDPD X1, X5
	MOVUPD X5, (R8)         // y0
	MOVAPD X9, X7
	ADDPD X3, X7
	MOVUPD X7, (R9)

	SUBPD X1, X8
	SUBPD X3, X9
	MOVAPD X8, X5
	MULPD X12, X5
	MOVAPD X9, X7
	MULPD X13, X7
	ADDPD X7, X5
	MOVUPD X5, (R8)(R12*2)  // y2
	MULPD X12, X9
	MULPD X13, X8
	SUBPD X8, X9
	MOVUPD X9, (R9)(R12*2)

	MOVAPD X0, X8
	ADDPD X6, X8
	MOVAPD X2, X9
	SUBPD X4, X9
	MOVAPD X8, X5
	MULPD X10, X5
	MOVAPD X9, X7
	MULPD X11, X7
	ADDPD X7, X5
	MOVUPD X5, (R8)(R12*1)  // y1
	MULPD X10, X9
	MULPD X11, X8
	SUBPD X8, X9
	MOVUPD X9, (R9)(R12*1)

	SUBPD X6, X0
	ADDPD X4, X2
	MOVAPD X0, X5
	MULPD X14, X5
	MOVAPD X2, X7
	MULPD X15, X7
	ADDPD X7, X5
	MOVUPD X5, (R8)(R13*1)  // y3
	MULPD X14, X2
	MULPD X15, X0
	SUBPD X0, X2
	MOVUPD X2, (R9)(R13*1)

	ADDQ $16, SI
	ADDQ $16, DI
	ADDQ $16, R8
	ADDQ $16, R9
	SUBQ $16, R14
	JNZ inner

	ADDQ R13, R8
	ADDQ R13, R9
	ADDQ DX, CX
	DECQ R15
	JNZ outer
	RET
