// A plugin of QEMU's user-mode emulation that counts the instructions of the emulated
// processor and prints their number at the end:
//
//	gcc -shared -fPIC -O2 -o count.so count.c
//	qemu-arm -plugin ./count.so PROGRAM
#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>

// What is used of QEMU's plugin interface, version 1 (docs/devel/tcg-plugins.rst in its
// source): Debian has no package of its header.
typedef uint64_t qemu_plugin_id_t;
struct qemu_plugin_tb;
struct qemu_info;
typedef void (*translated)(qemu_plugin_id_t, struct qemu_plugin_tb *);
typedef void (*ended)(qemu_plugin_id_t, void *);
enum { inline_add_u64 = 0 };
extern void qemu_plugin_register_vcpu_tb_trans_cb(qemu_plugin_id_t, translated);
extern void qemu_plugin_register_vcpu_tb_exec_inline(struct qemu_plugin_tb *, int op, void *to, uint64_t n);
extern size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *);
extern void qemu_plugin_register_atexit_cb(qemu_plugin_id_t, ended, void *);

__attribute__((visibility("default"))) int qemu_plugin_version = 1;

static uint64_t done;

static void count(qemu_plugin_id_t id, struct qemu_plugin_tb *tb)
{
	qemu_plugin_register_vcpu_tb_exec_inline(tb, inline_add_u64, &done, qemu_plugin_tb_n_insns(tb));
}

static void say(qemu_plugin_id_t id, void *unused)
{
	fprintf(stderr, "instructions: %" PRIu64 "\n", done);
}

__attribute__((visibility("default"))) int qemu_plugin_install(qemu_plugin_id_t id, const struct qemu_info *info, int argc, char **argv)
{
	qemu_plugin_register_vcpu_tb_trans_cb(id, count);
	qemu_plugin_register_atexit_cb(id, say, 0);
	return 0;
}
