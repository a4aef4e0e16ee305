package wholefile

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"unsafe"

	"golang.org/x/sys/windows"
)

// makePrivate makes a folder with an access list for its owner alone, which what is made in
// it inherits. Mode bits say nothing of who reads on this system.
func makePrivate(path string) error {
	if err := os.Mkdir(path, 0o700); err != nil {
		return err
	}
	if inherits(filepath.Dir(path)) {
		return nil
	}
	return ownersAlone(path, "OICI")
}

// createPrivate makes a new file. In a folder whose access list was set on purpose it
// inherits that; anywhere else its list names its owner alone.
func createPrivate(dir, pattern string) (file, error) {
	f, err := os.CreateTemp(dir, pattern)
	if err != nil {
		return nil, err
	}
	if inherits(dir) {
		return f, nil
	}
	if err := ownersAlone(f.Name(), ""); err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(f.Name()))
	}
	return f, nil
}

// inherits says that a folder, or one above it, has an access list of its own that takes
// nothing from above: then who set it decided who reads below.
func inherits(dir string) bool {
	full, err := filepath.Abs(dir)
	if err != nil {
		return false
	}
	for {
		sd, err := windows.GetNamedSecurityInfo(full, windows.SE_FILE_OBJECT, windows.DACL_SECURITY_INFORMATION)
		if err != nil {
			return false
		}
		control, _, err := sd.Control()
		if err != nil {
			return false
		}
		above := filepath.Dir(full)
		if above == full {
			return false // a disk's root has a list of its own always
		}
		if control&windows.SE_DACL_PROTECTED != 0 {
			return everyonesWay(sd) == ""
		}
		full = above
	}
}

// ownersAlone gives a path an access list that names its owner and nobody else. A file
// system without such lists, as on many sticks, has nothing to give.
func ownersAlone(path, inherit string) error {
	user, err := windows.GetCurrentProcessToken().GetTokenUser()
	if err != nil {
		return fmt.Errorf("who this user is: %w", err)
	}
	sd, err := windows.SecurityDescriptorFromString("D:P(A;" + inherit + ";FA;;;" + user.User.Sid.String() + ")")
	if err != nil {
		return fmt.Errorf("access list of %s: %w", path, err)
	}
	list, _, err := sd.DACL()
	if err != nil {
		return fmt.Errorf("access list of %s: %w", path, err)
	}
	err = windows.SetNamedSecurityInfo(path, windows.SE_FILE_OBJECT,
		windows.DACL_SECURITY_INFORMATION|windows.PROTECTED_DACL_SECURITY_INFORMATION, nil, nil, list, nil)
	if errors.Is(err, windows.ERROR_NOT_SUPPORTED) || errors.Is(err, windows.ERROR_INVALID_FUNCTION) {
		return nil
	}
	return err
}

// OthersRead says how everybody on this machine may read a file; empty when they may not.
func OthersRead(path string) (how string, err error) {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() {
		return "", err
	}
	sd, err := windows.GetNamedSecurityInfo(path, windows.SE_FILE_OBJECT, windows.DACL_SECURITY_INFORMATION)
	if err != nil {
		return "", err
	}
	return everyonesWay(sd), nil
}

// everyonesWay says by which entry of an access list everybody on this machine reads.
func everyonesWay(sd *windows.SECURITY_DESCRIPTOR) string {
	list, _, err := sd.DACL()
	if err != nil || list == nil {
		return "it has no access list; `icacls FILE /inheritance:r /grant:r %USERNAME%:R`"
	}
	for i := range uint32(list.AceCount) {
		var entry *windows.ACCESS_ALLOWED_ACE
		if windows.GetAce(list, i, &entry) != nil || entry.Header.AceType != windows.ACCESS_ALLOWED_ACE_TYPE || entry.Mask&windows.FILE_READ_DATA == 0 && entry.Mask&windows.GENERIC_READ == 0 && entry.Mask&windows.GENERIC_ALL == 0 {
			continue
		}
		sid := (*windows.SID)(unsafe.Pointer(&entry.SidStart)) // #nosec G103 -- as the system lays out an entry
		for _, all := range []windows.WELL_KNOWN_SID_TYPE{windows.WinWorldSid, windows.WinAuthenticatedUserSid, windows.WinBuiltinUsersSid} {
			if sid.IsWellKnown(all) {
				return "its access list lets everybody on this machine in; `icacls FILE /inheritance:r /grant:r %USERNAME%:R`"
			}
		}
	}
	return ""
}
