package records_test

import (
	"fmt"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/records"
)

func ExampleParse() {
	rs, err := records.Parse(hostfile.Records{Form: hostfile.CSV}, strings.NewReader("tag,value,unit,zone\n1,8.015,mm,warn-high\n2,8.0l6,mm,above\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range rs {
		fmt.Printf("row %d: tag %d, %v %s, %s; %q\n", r.Row, *r.Tag, r.Value, r.Unit, r.Zone, r.Problem)
	}
	// Output:
	// row 2: tag 1, 8.015 mm, warn-high; ""
	// row 3: tag 2, <nil> mm, above; "the value \"8.0l6\" is not a number"
}
