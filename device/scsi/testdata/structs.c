/* Responses as linux/cdrom.h lays them out, all fields set; a line for each. */
#include <arpa/inet.h>
#include <stdio.h>
#include <string.h>
#include <linux/cdrom.h>

static void line(const char *name, const void *p, unsigned n)
{
	printf("%s ", name);
	for (unsigned i = 0; i < n; i++)
		printf("%02X", ((const unsigned char *)p)[i]);
	printf("\n");
}

int main(void)
{
	disc_information d;
	memset(&d, 0, sizeof d);
	d.disc_information_length = htons(32);
	d.erasable = 1, d.border_status = 1, d.disc_status = 2;
	d.n_first_track = 3, d.n_sessions_lsb = 4, d.first_track_lsb = 5, d.last_track_lsb = 6;
	d.did_v = 1, d.dbc_v = 0, d.uru = 1, d.dbit = 1, d.mrw_status = 2;
	d.disc_type = 0x20, d.n_sessions_msb = 9, d.first_track_msb = 10, d.last_track_msb = 11;
	d.disc_id = htonl(0x0C0D0E0F), d.lead_in = htonl(0x10111213), d.lead_out = htonl(0x14151617);
	memcpy(d.disc_bar_code, "\x18\x19\x1A\x1B\x1C\x1D\x1E\x1F", 8);
	d.n_opc = 0;
	line("disc_information", &d, 34);

	track_information t;
	memset(&t, 0, sizeof t);
	t.track_information_length = htons(34);
	t.track_lsb = 2, t.session_lsb = 3;
	t.damage = 1, t.copy = 0, t.track_mode = 5;
	t.rt = 1, t.blank = 0, t.packet = 1, t.fp = 0, t.data_mode = 6;
	t.lra_v = 1, t.nwa_v = 0;
	t.track_start = htonl(0x08090A0B), t.next_writable = htonl(0x0C0D0E0F), t.free_blocks = htonl(0x10111213);
	t.fixed_packet_size = htonl(0x14151617), t.track_size = htonl(0x18191A1B), t.last_rec_address = htonl(0x1C1D1E1F);
	line("track_information", &t, 32);

	struct request_sense s;
	memset(&s, 0, sizeof s);
	s.valid = 1, s.error_code = 0x71, s.ili = 1, s.sense_key = 3;
	memcpy(s.information, "\x03\x04\x05\x06", 4);
	s.add_sense_len = 10;
	memcpy(s.command_info, "\x08\x09\x0A\x0B", 4);
	s.asc = 0x11, s.ascq = 0x05, s.fruc = 0x0E;
	memcpy(s.sks, "\x80\x10\x11", 3);
	line("request_sense", &s, 18);

	struct mode_page_header m;
	memset(&m, 0, sizeof m);
	m.mode_data_length = htons(8 + 12 - 2), m.medium_type = 0x70;
	line("mode_page_header", &m, sizeof m);

	struct rm_feature_desc r;
	memset(&r, 0, sizeof r);
	r.feature_code = htons(3), r.feature_version = 2, r.persistent = 1, r.curr = 1, r.add_len = 4;
	r.mech_type = 1, r.load = 0, r.eject = 1, r.lock = 1;
	line("rm_feature_desc", &r, sizeof r);

	struct feature_header f;
	memset(&f, 0, sizeof f);
	f.data_len = htonl(4), f.curr_profile = htons(0x1B);
	line("feature_header", &f, sizeof f);
	return 0;
}
