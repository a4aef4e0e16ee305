// Package plans answers the contract's requests for arithmetic: it reads each field,
// refuses what is missing or cannot be, calls package engine and puts the result
// into the response. One file for each group of plans; the arithmetic itself and its
// sources are in package engine.
//
// It needs no replica and no network: `thawtrail plan` calls it in-process by the
// names of the contract.
package plans
