// Package ledger folds records into state: what is in the freezers, what
// happened to a bag, how a patient was treated, and where two stories differ.
//
// # A fold is a function of a set
//
// Every entity (package event, Key) is folded apart from all others, from the
// records that touch it. Fold takes them in any order and any number of times:
//
//	distinct   the same hash counts once
//	written    sorted by (hybrid clock, log, seq, hash): which statement stands
//	corrected  a correction replaces or voids a whole original
//	happened   sorted by (occurred at, written order): the story
//
// So the same records give the same bytes (Encode) on every machine, by whatever
// path and in whatever order they came. Nothing here reads a clock: whether a
// bag is expired now is asked when somebody looks. There are no floats and no
// time zone tables, which differ between machines.
//
// # Facts and decisions
//
// Physical facts always fold, marked where their author had no right to write
// them: a bag that ran into a foal did run. Decisions (the release of a hold, a
// label card, an explanation) are left out of state without the right.
//
// # Corrections
//
// A correction names its original by hash. The last one in written order
// stands. It keeps the original's place in the written order and may move it in
// the happened order. In an entity that only the replacement touches, the
// replacement stands for itself; a void without its original has no effect. A
// correction of a decision must name the decision's own type, also when it
// voids it, so that its author needs the same roles. Rights, openings of logs
// and corrections themselves cannot be corrected.
//
// # Discrepancies
//
// A discrepancy is where the records do not fit together. It is kept open by
// evidence: tokens made of the records that disagree. An explanation settles the
// tokens that it names. When evidence goes, by a late record or a correction,
// the discrepancy goes too; when new evidence comes, it opens again.
//
// # What the caller owes
//
// The rights are folded first, from all rights records (FoldRights). The caller
// leaves out every record whose Standing is not In, and sets Input.Entitled.
package ledger
