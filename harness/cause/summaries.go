package cause

// Summaries lists the mistakes of a host that works out statistics of its readings.
// They show in its summary rows and in no other, so that they are tried beside the
// model host, by package summary.
func Summaries() []Cause {
	return []Cause{
		{"C001", "spread-over-n", "s is too small by √((n-1)/n), and Pp and Ppk too large by as much",
			"the sum of squares is divided by n, as for a whole population",
			"divide by n - 1: the readings are a sample"},
		{"C002", "spread-in-one-pass", "s has few right digits, or none, where the readings differ in their last digits only",
			"the square of the sum is taken from the sum of the squares, in binary: what is left of two large numbers is their rounding",
			"take the mean first and sum the squared deviations from it, or add the readings up as whole steps"},
		{"C003", "capability-overall", "Cp and Cpk are what Pp and Ppk should be",
			"they are worked out of the standard deviation of all readings, not of that within subgroups",
			"use the spread within subgroups for Cp and Cpk"},
		{"C004", "performance-within", "Pp and Ppk are what Cp and Cpk should be",
			"they are worked out of the spread within subgroups, not of the standard deviation of all readings",
			"use the standard deviation of all readings for Pp and Ppk"},
		{"C005", "summary-limits", "the capability is right by the limits of another gauge or channel",
			"one set of limits is kept for all summaries",
			"use the limits of the channel that the summary is of"},
		{"C006", "summary-streamed", "the summary is right of all readings, streamed ones among them",
			"it is worked out of all that came in, not of what was tagged",
			"use the tagged readings"},
		{"C007", "summary-void-as-zero", "the summary is right if void readings count as 0",
			"an empty value becomes 0 on its way",
			"leave void readings out of every summary"},
		{"C008", "summary-rounding", "the summary is right of the values as they are displayed, where those as received are stated, or the reverse",
			"the values are rounded before and not after the summary, or the reverse",
			"work it out of the values that your description names"},
		{"C009", "study-variation", "%R&R is right with 5.15 standard deviations to a study variation where 6 are stated, or the reverse",
			"the 5.15 of older practice stands in the program",
			"use the number of standard deviations that is stated"},
		{"C010", "share-of-variances", "%R&R is the square of the share that it should be",
			"the share is taken of variances, not of standard deviations",
			"take the root of both before the share"},
		{"C011", "share-of-other", "%R&R is a share of the study variation where one of the tolerance is stated, or the reverse",
			"the program takes the other of the two shares",
			"say which share is written, and write that one"},
		{"C012", "classes-rounded", "ndc is one too many where its decimals are .5 or more",
			"it is rounded, not truncated",
			"leave the decimals off"},
	}
}
