package dynamics

import "embed"

// Sources are the files whose doc comments are the user's help on stages.
//
//go:embed compressor.go deesser.go dynamiceq.go expander.go ride.go
var Sources embed.FS
