"""What can be read and written in one transaction, by concept; rows to records and back."""
