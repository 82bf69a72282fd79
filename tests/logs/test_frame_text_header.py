from logan.logs.frame_text import FORMAT


def test_a_table_whose_header_names_units_is_no_text_of_frames():
    header = b"Time [s];Speed [km/h];Elevation [m];Voltage [V];Current [A];Soc [%];a;b;c;d;e\n"
    rows = b"".join(b"%d.%d;96;589;45;14;80;92;8;90;0;0\n" % divmod(k, 10) for k in range(200))
    assert not FORMAT.looks_like(header + rows)
