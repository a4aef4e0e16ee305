// Package wholefile writes files so that they are whole or absent: whoever opens
// one finds what was there before or what was written last, never a part of
// either. When a call returns without an error, that holds after a power cut too.
//
// The order, each step only after the one before it:
//
//  1. folders that are missing are made, and each new name is synced in the
//     folder above it (Write alone);
//  2. a new file is written beside the old one, under a name of its own that
//     only this user may read;
//  3. it is synced and closed;
//  4. it is renamed over the old one;
//  5. the folder is synced, which makes the rename durable.
//
// Every error of every step is returned. Up to step 4 the old file stays as it
// was and the new one is removed. After step 4 the new contents are there, and an
// error says that a power cut may still bring the old ones back.
//
// Windows has no call that syncs a folder. There the file is flushed once more
// under its last name; see syncRename.
//
// A process that is killed between steps 2 and 4 leaves a file whose name ends in
// '.new-' and a number. Nothing reads it.
//
// It is for files that are replaced as a whole. The journal, which grows, has its
// own file layer (package journal).
package wholefile
