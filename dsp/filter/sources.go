package filter

import "embed"

// Sources are the files whose doc comments are the user's help on stages.
//
//go:embed band.go pass.go plateau.go shelf.go
var Sources embed.FS
