package check

// ReopenHolding is Reopen that holds fewer entries of the ledger.
var ReopenHolding = reopenHolding
