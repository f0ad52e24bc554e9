package restore

import "embed"

// Sources are the files whose doc comments are the user's help on stages.
//
//go:embed clicks.go plosives.go noise.go
var Sources embed.FS
