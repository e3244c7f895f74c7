"""What people read: pages, sheets, charts, workbooks."""
