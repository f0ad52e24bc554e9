#include "textflag.h"

// The numbers of log2s and DBToAmplitudes, four of each.
DATA logs<>+0(SB)/8, $0x3ff715476528a189 // c0 = 1.442695040847043902
DATA logs<>+8(SB)/8, $0x3ff715476528a189
DATA logs<>+16(SB)/8, $0x3ff715476528a189
DATA logs<>+24(SB)/8, $0x3ff715476528a189
DATA logs<>+32(SB)/8, $0xbfe71546a3b8feb4 // c1 = -0.7213471601207488344
DATA logs<>+40(SB)/8, $0xbfe71546a3b8feb4
DATA logs<>+48(SB)/8, $0xbfe71546a3b8feb4
DATA logs<>+56(SB)/8, $0xbfe71546a3b8feb4
DATA logs<>+64(SB)/8, $0x3fdec70903d879fa // c2 = 0.4808981454424664681
DATA logs<>+72(SB)/8, $0x3fdec70903d879fa
DATA logs<>+80(SB)/8, $0x3fdec70903d879fa
DATA logs<>+88(SB)/8, $0x3fdec70903d879fa
DATA logs<>+96(SB)/8, $0xbfd715da6c96d245 // c3 = -0.3607088146630171504
DATA logs<>+104(SB)/8, $0xbfd715da6c96d245
DATA logs<>+112(SB)/8, $0xbfd715da6c96d245
DATA logs<>+120(SB)/8, $0xbfd715da6c96d245
DATA logs<>+128(SB)/8, $0x3fd27814ca2266e6 // c4 = 0.2885791753738956346
DATA logs<>+136(SB)/8, $0x3fd27814ca2266e6
DATA logs<>+144(SB)/8, $0x3fd27814ca2266e6
DATA logs<>+152(SB)/8, $0x3fd27814ca2266e6
DATA logs<>+160(SB)/8, $0xbfcea46d3ae6dc3a // c5 = -0.2393929040533480653
DATA logs<>+168(SB)/8, $0xbfcea46d3ae6dc3a
DATA logs<>+176(SB)/8, $0xbfcea46d3ae6dc3a
DATA logs<>+184(SB)/8, $0xbfcea46d3ae6dc3a
DATA logs<>+192(SB)/8, $0x3fca2627c981ccc6 // c6 = 0.2042894109650658513
DATA logs<>+200(SB)/8, $0x3fca2627c981ccc6
DATA logs<>+208(SB)/8, $0x3fca2627c981ccc6
DATA logs<>+216(SB)/8, $0x3fca2627c981ccc6
DATA logs<>+224(SB)/8, $0xbfc89f05b18a0403 // c7 = -0.1923529736414196362
DATA logs<>+232(SB)/8, $0xbfc89f05b18a0403
DATA logs<>+240(SB)/8, $0xbfc89f05b18a0403
DATA logs<>+248(SB)/8, $0xbfc89f05b18a0403
DATA logs<>+256(SB)/8, $0x3fc81d2dc5efd2af // c8 = 0.1883904663551638437
DATA logs<>+264(SB)/8, $0x3fc81d2dc5efd2af
DATA logs<>+272(SB)/8, $0x3fc81d2dc5efd2af
DATA logs<>+280(SB)/8, $0x3fc81d2dc5efd2af
DATA logs<>+288(SB)/8, $0xbfbc18a73cac0198 // c9 = -0.1097511790394548586
DATA logs<>+296(SB)/8, $0xbfbc18a73cac0198
DATA logs<>+304(SB)/8, $0xbfbc18a73cac0198
DATA logs<>+312(SB)/8, $0xbfbc18a73cac0198
DATA logs<>+320(SB)/8, $0x3fe6a09e667f3bcd // rootHalf
DATA logs<>+328(SB)/8, $0x3fe6a09e667f3bcd
DATA logs<>+336(SB)/8, $0x3fe6a09e667f3bcd
DATA logs<>+344(SB)/8, $0x3fe6a09e667f3bcd
DATA logs<>+352(SB)/8, $0xfff0000000000000 // sign and exponent
DATA logs<>+360(SB)/8, $0xfff0000000000000
DATA logs<>+368(SB)/8, $0xfff0000000000000
DATA logs<>+376(SB)/8, $0xfff0000000000000
DATA logs<>+384(SB)/8, $0x3ff0000000000000 // 1
DATA logs<>+392(SB)/8, $0x3ff0000000000000
DATA logs<>+400(SB)/8, $0x3ff0000000000000
DATA logs<>+408(SB)/8, $0x3ff0000000000000
GLOBL logs<>(SB), RODATA|NOPTR, $416

DATA exps<>+0(SB)/8, $0x3fe62e430af26711 // c0 = 0.6931472028547621795
DATA exps<>+8(SB)/8, $0x3fe62e430af26711
DATA exps<>+16(SB)/8, $0x3fe62e430af26711
DATA exps<>+24(SB)/8, $0x3fe62e430af26711
DATA exps<>+32(SB)/8, $0x3fcebfbdc3c25d50 // c1 = 0.2402264791350980789
DATA exps<>+40(SB)/8, $0x3fcebfbdc3c25d50
DATA exps<>+48(SB)/8, $0x3fcebfbdc3c25d50
DATA exps<>+56(SB)/8, $0x3fcebfbdc3c25d50
DATA exps<>+64(SB)/8, $0x3fac6aee88f4981b // c2 = 0.0555033247167530887
DATA exps<>+72(SB)/8, $0x3fac6aee88f4981b
DATA exps<>+80(SB)/8, $0x3fac6aee88f4981b
DATA exps<>+88(SB)/8, $0x3fac6aee88f4981b
DATA exps<>+96(SB)/8, $0x3f83b2d4cfd2c7d3 // c3 = 0.00961843737818305294
DATA exps<>+104(SB)/8, $0x3f83b2d4cfd2c7d3
DATA exps<>+112(SB)/8, $0x3f83b2d4cfd2c7d3
DATA exps<>+120(SB)/8, $0x3f83b2d4cfd2c7d3
DATA exps<>+128(SB)/8, $0x3f55f3e52b0251b1 // c4 = 0.001339887425307311906
DATA exps<>+136(SB)/8, $0x3f55f3e52b0251b1
DATA exps<>+144(SB)/8, $0x3f55f3e52b0251b1
DATA exps<>+152(SB)/8, $0x3f55f3e52b0251b1
DATA exps<>+160(SB)/8, $0x3f241fbb35d4b24f // c5 = 0.0001535335567636346931
DATA exps<>+168(SB)/8, $0x3f241fbb35d4b24f
DATA exps<>+176(SB)/8, $0x3f241fbb35d4b24f
DATA exps<>+184(SB)/8, $0x3f241fbb35d4b24f
DATA exps<>+192(SB)/8, $0x3fc542a5a12e1c5b // octaves in a dB
DATA exps<>+200(SB)/8, $0x3fc542a5a12e1c5b
DATA exps<>+208(SB)/8, $0x3fc542a5a12e1c5b
DATA exps<>+216(SB)/8, $0x3fc542a5a12e1c5b
DATA exps<>+224(SB)/8, $0xc0b7700000000000 // -limit
DATA exps<>+232(SB)/8, $0xc0b7700000000000
DATA exps<>+240(SB)/8, $0xc0b7700000000000
DATA exps<>+248(SB)/8, $0xc0b7700000000000
DATA exps<>+256(SB)/8, $0x40b7700000000000 // limit
DATA exps<>+264(SB)/8, $0x40b7700000000000
DATA exps<>+272(SB)/8, $0x40b7700000000000
DATA exps<>+280(SB)/8, $0x40b7700000000000
DATA exps<>+288(SB)/8, $0x4338000000000000 // roundToWhole
DATA exps<>+296(SB)/8, $0x4338000000000000
DATA exps<>+304(SB)/8, $0x4338000000000000
DATA exps<>+312(SB)/8, $0x4338000000000000
DATA exps<>+320(SB)/8, $0x3ff0000000000000 // 1
DATA exps<>+328(SB)/8, $0x3ff0000000000000
DATA exps<>+336(SB)/8, $0x3ff0000000000000
DATA exps<>+344(SB)/8, $0x3ff0000000000000
GLOBL exps<>(SB), RODATA|NOPTR, $352

// func logs4(dst, src *float64, quads int, floor, unit float64)
TEXT ·logs4(SB), NOSPLIT, $0-40
	MOVQ dst+0(FP), DX
	MOVQ src+8(FP), SI
	MOVQ quads+16(FP), CX
	VBROADCASTSD floor+24(FP), Y14
	VBROADCASTSD unit+32(FP), Y15
loop:
	VMOVUPD (SI), Y0
	VMAXPD  Y14, Y0, Y0 // the floor for what is no number
	VPSUBQ  logs<>+320(SB), Y0, Y1 // bits - rootHalf
	VPAND   logs<>+352(SB), Y1, Y2 // e<<52
	VPSUBQ  Y2, Y0, Y0
	VSUBPD  logs<>+384(SB), Y0, Y0 // t
	VPSRAD  $20, Y1, Y1
	VEXTRACTI128 $1, Y1, X2
	VSHUFPS $0xdd, X2, X1, X1
	VCVTDQ2PD X1, Y1 // e
	VMULPD  Y0, Y0, Y2 // t2
	VMULPD  Y2, Y2, Y3 // t4
	VMULPD  Y3, Y3, Y4 // t8
	VMULPD  logs<>+32(SB), Y0, Y5
	VADDPD  logs<>+0(SB), Y5, Y5
	VMULPD  logs<>+96(SB), Y0, Y6
	VADDPD  logs<>+64(SB), Y6, Y6
	VMULPD  Y6, Y2, Y6
	VADDPD  Y6, Y5, Y5 // q0
	VMULPD  logs<>+160(SB), Y0, Y7
	VADDPD  logs<>+128(SB), Y7, Y7
	VMULPD  logs<>+224(SB), Y0, Y8
	VADDPD  logs<>+192(SB), Y8, Y8
	VMULPD  Y8, Y2, Y8
	VADDPD  Y8, Y7, Y7 // q4
	VMULPD  Y7, Y3, Y7
	VADDPD  Y7, Y5, Y5
	VMULPD  logs<>+288(SB), Y0, Y8
	VADDPD  logs<>+256(SB), Y8, Y8
	VMULPD  Y8, Y4, Y8
	VADDPD  Y8, Y5, Y5 // q
	VMULPD  Y5, Y0, Y0
	VADDPD  Y0, Y1, Y0
	VMULPD  Y15, Y0, Y0
	VMOVUPD Y0, (DX)
	ADDQ $32, SI
	ADDQ $32, DX
	DECQ CX
	JNZ  loop
	VZEROUPPER
	RET

// func exps4(dst, src *float64, quads int)
TEXT ·exps4(SB), NOSPLIT, $0-24
	MOVQ dst+0(FP), DX
	MOVQ src+8(FP), SI
	MOVQ quads+16(FP), CX
	VMOVUPD exps<>+224(SB), Y14
	VMOVUPD exps<>+256(SB), Y15
	VMOVUPD exps<>+288(SB), Y13
loop:
	VMOVUPD (SI), Y0
	VMAXPD  Y14, Y0, Y0
	VMINPD  Y15, Y0, Y0
	VMULPD  exps<>+192(SB), Y0, Y0 // octaves
	VADDPD  Y13, Y0, Y1 // shifted
	VSUBPD  Y13, Y1, Y2
	VSUBPD  Y2, Y0, Y0 // f
	VMULPD  Y0, Y0, Y2 // f2
	VMULPD  Y2, Y2, Y3 // f4
	VMULPD  exps<>+32(SB), Y0, Y4
	VADDPD  exps<>+0(SB), Y4, Y4
	VMULPD  exps<>+96(SB), Y0, Y5
	VADDPD  exps<>+64(SB), Y5, Y5
	VMULPD  Y5, Y2, Y5
	VADDPD  Y5, Y4, Y4
	VMULPD  exps<>+160(SB), Y0, Y5
	VADDPD  exps<>+128(SB), Y5, Y5
	VMULPD  Y5, Y3, Y5
	VADDPD  Y5, Y4, Y4 // q
	VMULPD  Y4, Y0, Y0
	VADDPD  exps<>+320(SB), Y0, Y0 // p
	VPSLLQ  $52, Y1, Y1
	VPADDQ  Y1, Y0, Y0
	VMOVUPD Y0, (DX)
	ADDQ $32, SI
	ADDQ $32, DX
	DECQ CX
	JNZ  loop
	VZEROUPPER
	RET

// func powers8(dst, x *float64, eights, steps int, n float64)
TEXT ·powers8(SB), NOSPLIT, $0-40
	MOVQ dst+0(FP), DX
	MOVQ x+8(FP), SI
	MOVQ eights+16(FP), R8
	MOVQ steps+24(FP), CX
	VMOVSD n+32(FP), X15
step:
	MOVQ R8, R9
	VXORPD Y0, Y0, Y0
eight:
	VMOVUPD (SI), Y1
	VMOVUPD 32(SI), Y2
	VMULPD Y1, Y1, Y1
	VMULPD Y2, Y2, Y2
	VADDPD Y2, Y1, Y1
	VADDPD Y1, Y0, Y0
	ADDQ $64, SI
	DECQ R9
	JNZ  eight
	VHADDPD Y0, Y0, Y0 // e0+e1 in the lower half, e2+e3 in the upper
	VEXTRACTF128 $1, Y0, X1
	VADDSD X1, X0, X0
	VDIVSD X15, X0, X0
	VMOVSD X0, (DX)
	ADDQ $8, DX
	DECQ CX
	JNZ  step
	VZEROUPPER
	RET

// func ramps4(x, gains *float64, steps int, part *float64, quads int, last float64)
TEXT ·ramps4(SB), NOSPLIT, $0-48
	MOVQ x+0(FP), SI
	MOVQ gains+8(FP), DX
	MOVQ steps+16(FP), CX
	MOVQ part+24(FP), DI
	MOVQ quads+32(FP), R8
	VBROADCASTSD last+40(FP), Y0
step:
	VBROADCASTSD (DX), Y1
	VSUBPD Y0, Y1, Y2 // the rise of the gain
	MOVQ DI, R10
	MOVQ R8, R9
quad:
	VMULPD (R10), Y2, Y3
	VADDPD Y3, Y0, Y3
	VMULPD (SI), Y3, Y3
	VMOVUPD Y3, (SI)
	ADDQ $32, SI
	ADDQ $32, R10
	DECQ R9
	JNZ  quad
	VMOVAPD Y1, Y0
	ADDQ $8, DX
	DECQ CX
	JNZ  step
	VZEROUPPER
	RET
