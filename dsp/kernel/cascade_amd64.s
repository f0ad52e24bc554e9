#include "textflag.h"

// Offsets of a net's rows; lanes 4 to 7 lie 32 further on.
#define B0 0
#define B1 64
#define B2 128
#define A1 192
#define A2 256
#define IN1 320
#define IN2 384
#define OUT1 448
#define OUT2 512
#define NEXT1 576
#define NEXT2 640
#define ENTRY 704

// OLD leaves b2·x2 - a2·y2 of four sections in Y13.
#define OLD(half, x2, y2) \
	VMULPD (B2+half)(DI), x2, Y13; \
	VMULPD (A2+half)(DI), y2, Y14; \
	VSUBPD Y14, Y13, Y13

// SUMS leaves their next output in y, with Y13 from OLD and x the new input:
// ((b0·x + b1·x1) + (b2·x2 - a2·y2)) - a1·y1.
#define SUMS(half, x, x1, y1, y) \
	VMULPD (B1+half)(DI), x1, Y14; \
	VMULPD (B0+half)(DI), x, Y15;  \
	VADDPD Y14, Y15, Y15;          \
	VADDPD Y13, Y15, Y15;          \
	VMULPD (A1+half)(DI), y1, Y14; \
	VSUBPD Y14, Y15, y

// STEP takes eight sections one sample on. The new input goes where x2 was, the
// new output where y2 was, and the outputs, a lane further, where those of two
// steps ago were.
#define STEP(at, xa1, xa2, ya1, ya2, qa, xb1, xb2, yb1, yb2, qb, lowest) \
	OLD(32, xb2, yb2);            \
	VBLENDPD $1, qa, qb, xb2;     \
	SUMS(32, xb2, xb1, yb1, yb2); \
	VPERMPD $0x93, yb2, qb;       \
	OLD(0, xa2, ya2);             \
	VBROADCASTSD at(SI), Y14;     \
	VBLENDVPD Y12, Y14, qa, xa2;  \
	SUMS(0, xa2, xa1, ya1, ya2);  \
	VPERMPD $0x93, ya2, qa;       \
	VMOVSD lowest, at(DX)

// HALFSTEP is STEP of four sections, which are lanes 4 to 7.
#define HALFSTEP(at, x1, x2, y1, y2, q, lowest) \
	OLD(32, x2, y2);           \
	VBROADCASTSD at(SI), Y14;  \
	VBLENDVPD Y12, Y14, q, x2; \
	SUMS(32, x2, x1, y1, y2);  \
	VPERMPD $0x93, y2, q;      \
	VMOVSD lowest, at(DX)

// func steps8(out, in *float64, pairs int, n *net)
TEXT ·steps8(SB), NOSPLIT, $0-32
	MOVQ out+0(FP), DX
	MOVQ in+8(FP), SI
	MOVQ pairs+16(FP), CX
	MOVQ n+24(FP), DI
	VMOVUPD IN1(DI), Y0
	VMOVUPD IN2(DI), Y1
	VMOVUPD OUT1(DI), Y2
	VMOVUPD OUT2(DI), Y3
	VMOVUPD NEXT2(DI), Y4
	VMOVUPD NEXT1(DI), Y5
	VMOVUPD (IN1+32)(DI), Y6
	VMOVUPD (IN2+32)(DI), Y7
	VMOVUPD (OUT1+32)(DI), Y8
	VMOVUPD (OUT2+32)(DI), Y9
	VMOVUPD (NEXT2+32)(DI), Y10
	VMOVUPD (NEXT1+32)(DI), Y11
	VMOVUPD ENTRY(DI), Y12
loop8:
	STEP(0, Y0, Y1, Y2, Y3, Y4, Y6, Y7, Y8, Y9, Y10, X10)
	STEP(8, Y1, Y0, Y3, Y2, Y5, Y7, Y6, Y9, Y8, Y11, X11)
	ADDQ $16, SI
	ADDQ $16, DX
	DECQ CX
	JNZ  loop8
	VMOVUPD Y0, IN1(DI)
	VMOVUPD Y1, IN2(DI)
	VMOVUPD Y2, OUT1(DI)
	VMOVUPD Y3, OUT2(DI)
	VMOVUPD Y4, NEXT2(DI)
	VMOVUPD Y5, NEXT1(DI)
	VMOVUPD Y6, (IN1+32)(DI)
	VMOVUPD Y7, (IN2+32)(DI)
	VMOVUPD Y8, (OUT1+32)(DI)
	VMOVUPD Y9, (OUT2+32)(DI)
	VMOVUPD Y10, (NEXT2+32)(DI)
	VMOVUPD Y11, (NEXT1+32)(DI)
	VZEROUPPER
	RET

// func steps4(out, in *float64, pairs int, n *net)
TEXT ·steps4(SB), NOSPLIT, $0-32
	MOVQ out+0(FP), DX
	MOVQ in+8(FP), SI
	MOVQ pairs+16(FP), CX
	MOVQ n+24(FP), DI
	VMOVUPD (IN1+32)(DI), Y6
	VMOVUPD (IN2+32)(DI), Y7
	VMOVUPD (OUT1+32)(DI), Y8
	VMOVUPD (OUT2+32)(DI), Y9
	VMOVUPD (NEXT2+32)(DI), Y10
	VMOVUPD (NEXT1+32)(DI), Y11
	VMOVUPD (ENTRY+32)(DI), Y12
loop4:
	HALFSTEP(0, Y6, Y7, Y8, Y9, Y10, X10)
	HALFSTEP(8, Y7, Y6, Y9, Y8, Y11, X11)
	ADDQ $16, SI
	ADDQ $16, DX
	DECQ CX
	JNZ  loop4
	VMOVUPD Y6, (IN1+32)(DI)
	VMOVUPD Y7, (IN2+32)(DI)
	VMOVUPD Y8, (OUT1+32)(DI)
	VMOVUPD Y9, (OUT2+32)(DI)
	VMOVUPD Y10, (NEXT2+32)(DI)
	VMOVUPD Y11, (NEXT1+32)(DI)
	VZEROUPPER
	RET

// func hasVectors() bool
TEXT ·hasVectors(SB), NOSPLIT, $0-1
	MOVB $0, ret+0(FP)
	XORL AX, AX
	CPUID
	CMPL AX, $7
	JLT  done
	MOVL $1, AX
	XORL CX, CX
	CPUID
	ANDL $(1<<27 | 1<<28), CX // the system saves registers, and AVX
	CMPL CX, $(1<<27 | 1<<28)
	JNE  done
	XORL CX, CX
	XGETBV
	ANDL $6, AX // the lower and the upper halves of the registers
	CMPL AX, $6
	JNE  done
	MOVL $7, AX
	XORL CX, CX
	CPUID
	ANDL $(1<<5), BX // AVX2
	JZ   done
	MOVB $1, ret+0(FP)
done:
	RET
