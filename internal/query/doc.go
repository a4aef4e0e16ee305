// Package query is the read side: every question about one replica and the answer
// to it.
//
// A Reader opens a ReadView, which is one consistent look at the folded state with
// what answers need beside it: the moment, the practice's zone, names. A question is
// one method of Reader with the contract's request and response (ListStock, GetCase,
// GetNow ...), so that a command, a page and a call over gRPC get the same answer.
// Pages that need more than one answer at once use View and the methods of ReadView.
//
//	err := query.Reader{Replica: r}.View(ctx, func(v *query.ReadView) error {
//		bag, err := v.Bag(id)  // nil when it is not known here
//		...
//	})
//
// What a ReadView gives is folded state: it is shared, must not be changed, and must
// not be kept after fn returns. Errors are refusals of an input, failures worded for
// people (package refusal), or the store's own. Nothing here writes a record, and no
// list is longer than MaxRows.
//
// The room is larger than most, since each question of the contract is answered
// here and the answers share one way to name, date and word things.
package query
