"""Groups and classes of workbooks."""
