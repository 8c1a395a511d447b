package harness

import "example.org/understudy/scenario"

// JobFor writes the job file of a scenario, for a host that is not started by
// a Check: the ports by gauge, and what the job is to call each dialect.
func JobFor(s *scenario.Scenario, ports []string, dialects map[string]string, records string) ([]byte, error) {
	return jobFor(s, ports, dialects, records)
}
