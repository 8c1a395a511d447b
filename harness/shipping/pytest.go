package shipping

import _ "embed"

// Pytest is the file that has pytest play scenarios to a host.
//
//go:embed understudy_pytest.py
var Pytest string
