package harmonics

import "embed"

// Sources are the files whose doc comments are the user's help on stages.
//
//go:embed harmonics.go
var Sources embed.FS
