// Package scenarios holds what understudy ships: scenarios, dialects and host
// descriptions, each a model for the reader's own.
package scenarios

import "embed"

// Files are the shipped files: *.yaml are scenarios, dialects/*.yaml dialects,
// gauges/*.yaml gauge profiles, hosts/*.yaml host descriptions, lines/*.yaml
// lines.
//
//go:embed *.yaml dialects/*.yaml gauges/*.yaml hosts/*.yaml lessons/*.yaml lines/*.yaml
var Files embed.FS
