"""The measurements that a builder decides by."""
