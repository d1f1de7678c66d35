"""What people say of joints: reader-labelled sets, label sheets, agreement."""
