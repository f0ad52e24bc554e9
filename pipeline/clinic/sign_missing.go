package clinic

// lacking says what a test read lacks, one sign for each thing.
func lacking(r *Read) (out []Sign) {
	for _, m := range r.Places.Missing {
		out = append(out, Sign{Name: "missing", Remedy: Booth, Confidence: Sure, Says: m})
	}
	return out
}
