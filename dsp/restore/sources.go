package restore

import "embed"

// Sources are the files whose doc comments are the user's help on stages.
//
//go:embed breaths.go clicks.go hum.go plosives.go noise.go
var Sources embed.FS
