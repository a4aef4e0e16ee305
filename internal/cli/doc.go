// Package cli is the command line. Nearly all of it is read from the .proto
// files: the rule beside a field says what its flag is called, in which unit it
// is typed and what it may hold; the rule beside a method or an event says which
// words call it. A new field is a new flag without a line of code here.
//
// Three families of commands come from there:
//
//   - plan commands (PlanService) compute in this process and need no agent;
//   - entry commands (the fields of Entry.body) write one record through the
//     RecordService of an agent or server;
//   - questions (StockService, CaseService, AuditService) ask one and print the
//     answer as tables, or with --json as the answer itself.
//
// Exit codes: 0 done, 1 failed, 2 the input was refused; a refusal is one line
// on standard error that names the field, the value and what was expected.
// Everything printed goes through one writer that takes control characters and
// terminal escapes out of names that other people typed.
package cli
