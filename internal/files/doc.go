// Package files writes the lists of the contract as files that people use: values
// separated by commas, JSON lines with a schema, and a workbook.
//
// A List is one question of the contract whose answer has rows. Its columns are fields of
// those rows, in the order in which a person reads them; what a column holds follows from
// the contract itself, so that the schema cannot tell something else than the rows. The
// answers come from whoever Ask is: a replica in this process or one behind an address.
//
//	list, err := files.Find("plasma")
//	err = list.Write(ctx, files.Workbook, filters, ask, w)
//
// A list is asked for part by part and written as it comes. Only the workbook is held
// as a whole, as its format wants it, and is bounded.
package files
