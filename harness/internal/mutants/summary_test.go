package mutants_test

var summaries = []mutant{
	{rule: "a statistic is right to half a step", old: "half := new(big.Rat).Quo(big.NewRat(1, 2), power(decimals))", new: "half := new(big.Rat).Quo(big.NewRat(2, 1), power(decimals))"},
	{rule: "an index is over six standard deviations", old: "big.NewRat(36, 1)", new: "big.NewRat(25, 1)"},
	{rule: "the nearer limit counts", old: "d.Cmp(width) < 0", new: "d.Cmp(width) > 0"},
	{rule: "void readings are left out", old: "case !d.Tagged && !f.streamed, d.Void && !f.voidAsZero:", new: "case !d.Tagged && !f.streamed:"},
	{rule: "streamed readings are left out", old: "case !d.Tagged && !f.streamed, d.Void && !f.voidAsZero:", new: "case d.Void && !f.voidAsZero:"},
	{rule: "ndc is truncated", old: "n := v.floor()", new: "n := v.at(0).Int64()"},
	{rule: "a row contradicts a mistake", old: "against = against || !r.is(vs); !r.right", new: "!r.right"},
	{rule: "few digits are no evidence", old: "best.figures >= leastFigures || ", new: "best.figures > 0 || "},
	{rule: "the last row of a statistic counts", old: "for i := len(run.Rows) - 1; i >= 0; i-- {", new: "for i := range run.Rows {"},
	{rule: "binary numbers hold no more digits", old: "decimals = min(decimals, mostOfReading-1-r.greatest.times(r.ratio).first())", new: ""},
	{rule: "the share of a study is of its total", old: "share.Quo(gauge, total)", new: "share.Quo(gauge, v.Parts)"},
	{rule: "a tag that is perhaps not received leaves the summary open", old: "return d.Tagged && !d.Sure", new: "return false"},
}
