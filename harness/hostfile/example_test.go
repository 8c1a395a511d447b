package hostfile_test

import (
	"fmt"

	"example.org/understudy/harness/hostfile"
)

func ExampleParse() {
	_, err := hostfile.Parse("line.yaml", []byte(`understudy-host: 1
run: [linehost, --port, "{prot}"]
records: {form: csv, seperator: ";"}
`))
	fmt.Println(err)
	// Output:
	// line.yaml:2:25: {prot} is not a place; did you mean {port}?
	// line.yaml:3:22: unknown key "seperator"; did you mean "separator"?
}

func ExampleDraft() {
	description, guesses, err := hostfile.Draft([]byte("Nr;Messwert;Urteil\n1;8,015;i.O.\n2;8,021;zu groß\n"))
	if err != nil {
		fmt.Println(err)
	}
	fmt.Printf("%s\n", description)
	for _, g := range guesses {
		fmt.Println("-", g)
	}
	// Output:
	// understudy-host: 1
	// title: My host
	// run: [my-host, "{port}", "{records}"]
	// does-not-claim: [time, unit]
	// records:
	//   form: csv
	//   separator: semicolon
	//   columns: {tag: "Nr", value: "Messwert", zone: "Urteil"}
	//   decimal-mark: comma
	//   zones: {"i.O.": inside, "zu groß": above}
	//
	// - how the host is started: write its command, and how it ends if the signal TERM does not end it
	// - the separator between fields: semicolon
	// - tag stands in column "Nr"
	// - value stands in column "Messwert"
	// - zone stands in column "Urteil"
	// - no column with times was found
	// - no column names the gauge; for a scenario with several add gauge: {always: NAME}
	// - no column holds the unit; add unit: {always: mm} for the one that is meant
	// - the decimal mark is a comma
	// - the verdict word "i.O." means inside
	// - the verdict word "zu groß" means above
}
