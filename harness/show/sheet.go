package show

import _ "embed"

// Sheet is the style sheet of pages that are signed, on a screen and on paper.
//
//go:embed sheet.css
var Sheet string
