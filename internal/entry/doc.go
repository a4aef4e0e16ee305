// Package entry is the write side: from what a person entered to a record that is
// saved.
//
// A Writer takes a WriteRequest and goes through these steps, in this order:
//
//	resolve   typed names and short ids become ids (resolve.go)
//	fill      what the contract marks 'filled' is taken from the books (fill.go)
//	seal      private fields are replaced by what only a key opens (seal.go)
//	validate  event.Validate checks the form
//	author    who says so, and by what right (author.go)
//	check     cautions are raised; what must be a slip is refused (checks.go)
//	append    the store makes a record of it; only then is it 'saved here'
//
// Until the last step nothing is changed, so that a refused entry leaves nothing
// behind. The same request id twice makes one record.
//
// Facts are never refused for want of a right or of a PIN: they are saved and
// marked. Only decisions are. Whoever is told 'saved' can rely on it: the record is
// on the disk.
package entry
