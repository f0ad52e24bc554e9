package level

import "embed"

// Sources are the files whose doc comments are the user's help on stages.
//
//go:embed gain.go limiter.go
var Sources embed.FS
