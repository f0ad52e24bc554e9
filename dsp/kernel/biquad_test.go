package kernel

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// The response is H(z) on the unit circle, here in complex numbers.
func TestResponse(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 2))
	for range 300 {
		sections := randomSections(random, 1+random.IntN(5))
		hz := 22050 * random.Float64()
		z := cmplx.Exp(complex(0, -2*math.Pi*hz/44100))
		h := complex(1, 0)
		for _, q := range sections {
			h *= (complex(q.B0, 0) + complex(q.B1, 0)*z + complex(q.B2, 0)*z*z) / (1 + complex(q.A1, 0)*z + complex(q.A2, 0)*z*z)
		}
		wantDB, wantDeg := 20*math.Log10(cmplx.Abs(h)), cmplx.Phase(h)*180/math.Pi
		db, deg := Response(sections, hz, 44100)
		if math.Abs(db-wantDB) > 1e-8 || math.Abs(math.Remainder(deg-wantDeg, 360)) > 1e-8 {
			t.Fatalf("%v at %g Hz: %.10f dB %.10f°, want %.10f dB %.10f°", sections, hz, db, deg, wantDB, wantDeg)
		}
		one, turn := sections[0].Response(hz, 44100)
		if db, deg := Response(sections[:1], hz, 44100); math.Abs(one-db) > 1e-12 || math.Abs(turn-deg) > 1e-12 {
			t.Fatalf("one section: %g dB %g°, as a list %g dB %g°", one, turn, db, deg)
		}
	}
	if db, deg := Response(nil, 1000, 44100); db != 0 || deg != 0 {
		t.Errorf("no sections: %g dB, %g°", db, deg)
	}
}
