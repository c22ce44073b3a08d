package main

import (
	"os"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"
)

// pack2deb writes the package to path, by way of a new file beside it so that a
// failure leaves no half package.
func pack2deb(p pack, arch string, rel release, contents files.Contents, path string) error {
	info := &nfpm.Info{
		Name: p.name, Arch: arch, Platform: "linux",
		Version: rel.version, VersionSchema: "none",
		Section: "utils", Priority: "optional", Maintainer: maintainer,
		Description: p.summary + "\n" + p.description,
		MTime:       rel.time, DisableGlobbing: true,
		Overridables: nfpm.Overridables{
			Depends: p.depends, Recommends: p.recommends, Suggests: p.suggests,
			Contents: contents,
			Deb:      nfpm.Deb{Arch: arch, Compression: "xz"},
		},
	}
	if p.scripts != "" {
		at := own + "files/" + p.scripts
		info.Scripts = nfpm.Scripts{PostInstall: at + "postinst", PreRemove: at + "prerm", PostRemove: at + "postrm"}
	}
	if err := info.Validate(); err != nil {
		return err
	}
	f, err := os.Create(path + ".new")
	if err != nil {
		return err
	}
	if err := (&deb.Deb{}).Package(info, f); err != nil {
		f.Close()
		os.Remove(path + ".new")
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}
